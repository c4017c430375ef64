"""What a mapping file says, checked as far as it can be without a table at hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

Constant = str | int | float | bool | date


@dataclass(frozen=True, slots=True)
class Condition:
    """One test of one source column's text; exactly one of the tests is given."""

    column: str
    equals: str | None = None
    is_in: tuple[str, ...] | None = None
    not_in: tuple[str, ...] | None = None
    matches: str | None = None
    is_empty: bool | None = None


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """Where one contract column comes from; exactly one source is given.

    Attributes
    ----------
    source : str or None
        One source column (``from``).
    sum_of, join_of : tuple of str
        Source columns to add up, or to put behind each other with ``separator`` between.
    constant : str, int, float, bool, datetime.date or None
        The same for all rows.
    is_identity : bool
        The colony that had the row's tag on the row's day.
    absent : str or None
        Why the source has nothing for it. Rows are then judged by the contract.
    unit, date_format, time_zone, repeated_hour, recode, missing, when, is_optional
        How to read the text; see the package's docstring.
    """

    column: str
    source: str | None = None
    sum_of: tuple[str, ...] = ()
    join_of: tuple[str, ...] = ()
    separator: str = " "
    constant: Constant | None = None
    is_identity: bool = False
    absent: str | None = None
    unit: str | None = None
    date_format: str | None = None
    time_zone: str | None = None
    repeated_hour: str = "refuse"
    recode: dict[str, Constant] | None = None
    missing: tuple[str, ...] = ()
    when: tuple[Condition, ...] = ()
    is_optional: bool = False

    @property
    def sources(self) -> tuple[str, ...]:
        """All source columns it reads, conditions left out."""
        return (self.source,) if self.source else self.sum_of + self.join_of


@dataclass(frozen=True, slots=True)
class TagPeriod:
    """One tag, the days it stood for one colony, both included, and that colony."""

    tag: str
    from_on: date
    to_on: date
    colony_id: str


@dataclass(frozen=True, slots=True)
class IdentityMap:
    """Which colony a tag stood for, when."""

    tag: str
    on: ColumnMapping
    periods: tuple[TagPeriod, ...]
    origin: str


@dataclass(frozen=True, slots=True)
class RecordMapping:
    """Which rows become rows of one record, and how."""

    record: str
    columns: tuple[ColumnMapping, ...]
    where: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True)
class Ignored:
    """Rows that are set aside on purpose."""

    where: tuple[Condition, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class TableMapping:
    """What becomes of the tables of some files."""

    origin: str
    files: tuple[str, ...]
    sheet: str = "*"
    delimiter: str | None = None
    encoding: str | None = None
    decimal: str | None = None
    skip_rows: int = 0
    missing: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    set_aside: str | None = None
    identity: IdentityMap | None = None
    ignored: tuple[Ignored, ...] = ()
    records: tuple[RecordMapping, ...] = ()


@dataclass(frozen=True, slots=True)
class Mapping:
    """One mapping file."""

    path: Path
    tables: tuple[TableMapping, ...] = field(default_factory=tuple)


def as_text(value: Any) -> str:
    """Write a TOML value as a member would have written it in a cell."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.isoformat() if isinstance(value, date) else str(value)
