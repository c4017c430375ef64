"""The plan that turns a table's text columns into rows of contracts."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True, slots=True)
class ColumnPlan:
    """How one contract column comes from the text columns of a batch.

    Attributes
    ----------
    column : str
        The contract column.
    text : polars.Expr
        The raw text as the member wrote it, for messages; String; null where nothing was given.
    typed : polars.Expr or None
        The value in the contract's type and unit; null where ``text`` cannot be read. None: the
        text is already in the contract's own form and is parsed by the checks.
    source : str
        The source heading, shown to the member.
    rule, mend : str
        What to tell the member where ``text`` is given and ``typed`` is null (an unknown code, an
        unreadable date, a tag outside every date range); empty: the checks' own words.
    """

    column: str
    text: pl.Expr
    typed: pl.Expr | None
    source: str
    rule: str = ""
    mend: str = ""


@dataclass(frozen=True, slots=True)
class RecordPlan:
    """Which rows of a table become rows of one record, and how. A record may occur twice."""

    record: str
    columns: tuple[ColumnPlan, ...]
    where: pl.Expr | None = None
    """Boolean, never null: the rows that belong to this record; None means all."""


@dataclass(frozen=True, slots=True)
class TablePlan:
    """What becomes of a table. Rows that nothing takes and nobody ignores are "not mapped".

    Attributes
    ----------
    records : tuple of RecordPlan
        A row may belong to several.
    ignored : polars.Expr or None
        Boolean, never null: rows the mapping sets aside on purpose.
    ignored_reason : polars.Expr or None
        String: why, for those rows; one table can have several reasons.
    mapping : str
        Name of the mapping file, empty when the headings were recognised.
    """

    records: tuple[RecordPlan, ...]
    ignored: pl.Expr | None = None
    ignored_reason: pl.Expr | None = None
    mapping: str = ""
