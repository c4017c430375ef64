"""Mapping files: TOML to what it says, every key known, every mistake named with its place."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import MappingError
from pipeline.mapping.identity import read_periods, tag_periods
from pipeline.mapping.moments import REPEATED_HOUR, check_format, check_time_zone
from pipeline.mapping.spec import (
    ColumnMapping,
    Condition,
    IdentityMap,
    Ignored,
    Mapping,
    RecordMapping,
    TableMapping,
)
from pipeline.mapping.units import composite, unit
from pipeline.toml_files import read_toml

_SOURCES = ("from", "sum", "join", "constant", "identity", "absent")
_TESTS = ("equals", "in", "not_in", "matches", "is_empty")
_NO_DELIMITERS = '\0\n\r"'
_MOST_SKIPPED = 1_000_000
_CONSTANTS = (str, int, float, bool, date)


class _Section:
    """One TOML table: takes keys by name and kind, and refuses what is left."""

    def __init__(self, given: Any, place: str) -> None:
        if not isinstance(given, dict):
            raise MappingError(f"{place} is no table of keys.", mend="Write it as key = value.")
        self.given: dict[str, Any] = given
        self.place = place
        self._known: list[str] = []

    def take(self, key: str, kind: type | tuple[type, ...], default: Any = None) -> Any:
        self._known.append(key)
        if key not in self.given:
            return default
        value = self.given[key]
        kinds = kind if isinstance(kind, tuple) else (kind,)
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            names = " or ".join(dict.fromkeys(k.__name__ for k in kinds))
            raise MappingError(
                f"{self.place}: {key} = {value!r} is not of the kind {names}.",
                mend=f"Correct {key}.",
            )
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """Take one text or a list of texts."""
        value = self.take(key, (str, list), [])
        values = [value] if isinstance(value, str) else value
        if not all(isinstance(item, str) for item in values):
            raise MappingError(
                f"{self.place}: {key} holds something that is no text.",
                mend="Put every item in quotation marks.",
            )
        return tuple(values)

    def sections(self, key: str) -> list[_Section]:
        """Take one table or a list of tables."""
        value = self.take(key, (dict, list), [])
        items = [value] if isinstance(value, dict) else value
        return [_Section(item, f"{self.place}, {key} {i}") for i, item in enumerate(items, 1)]

    def need(self, key: str) -> None:
        if key not in self.given:
            raise MappingError(f"{self.place} lacks {key!r}.", mend=f"Add {key} = …")

    def close(self) -> None:
        unknown = [key for key in self.given if key not in self._known]
        if unknown:
            near = get_close_matches(unknown[0], self._known, n=1)
            raise MappingError(
                f"{self.place}: there is no key {unknown[0]!r}.",
                mend=f"Use {near[0]!r}." if near else f"Use one of: {', '.join(self._known)}.",
            )


def load_mappings(folder: Path) -> list[Mapping]:
    """Read all mapping files of a study.

    Parameters
    ----------
    folder : pathlib.Path
        The study's ``mappings`` folder; an absent one holds no mappings.

    Returns
    -------
    list of Mapping
        By file name.

    Raises
    ------
    MappingError
        A file is not TOML, or says something that cannot be: the message names file and key.
    """
    if not folder.is_dir():
        return []
    paths = sorted(path for path in folder.iterdir() if path.suffix.lower() == ".toml")
    return [read_mapping(path) for path in paths]


def read_mapping(path: Path) -> Mapping:
    """Read one mapping file; see ``load_mappings``."""
    try:
        given = read_toml(path, path.name, MappingError)
    except FileNotFoundError:
        raise MappingError(f"{path.name} is not there.", mend="Check the link or path.") from None
    top = _Section(given, path.name)
    sections = top.sections("table")
    top.close()
    top.need("table")
    return Mapping(path, tuple(_table(section, path) for section in sections))


def _table(section: _Section, path: Path) -> TableMapping:
    section.need("files")
    files = section.texts("files")
    for pattern in files:
        if "/" in pattern or "\\" in pattern or ".." in pattern:
            raise MappingError(
                f"{section.place}: files = {pattern!r} is a path.",
                mend="Name files without folders; they lie in the study's inbox or weather folder.",
            )
    delimiter = section.take("delimiter", str)
    if delimiter is not None and (
        len(delimiter) != 1 or not delimiter.isascii() or delimiter in _NO_DELIMITERS
    ):
        raise MappingError(
            f"{section.place}: delimiter = {delimiter!r} is not one plain character.",
            mend='Write it like ";" or "\\t".',
        )
    skip_rows = section.take("skip_rows", int, 0)
    identity = section.take("identity", dict)
    read = TableMapping(
        origin=path.name,
        files=files,
        sheet=section.take("sheet", str, "*"),
        delimiter=delimiter,
        encoding=section.take("encoding", str),
        decimal=_one_of(section, "decimal", (".", ","), None),
        skip_rows=min(max(skip_rows, 0), _MOST_SKIPPED),
        missing=section.texts("missing"),
        unused=section.texts("unused"),
        set_aside=section.take("set_aside", str),
        identity=_identity(_Section(identity, f"{section.place}, identity"), path)
        if identity is not None
        else None,
        ignored=tuple(_ignored(part) for part in section.sections("ignore")),
        records=tuple(_record(part) for part in section.sections("record")),
    )
    section.close()
    if bool(read.records) == bool(read.set_aside):
        raise MappingError(
            f"{section.place} says neither or both of record and set_aside.",
            mend="Give [[table.record]] parts, or one set_aside reason for the whole table.",
        )
    return read


def _one_of(section: _Section, key: str, allowed: tuple[str, ...], default: str | None) -> Any:
    value = section.take(key, str, default)
    if value is not None and value not in allowed:
        raise MappingError(
            f"{section.place}: {key} = {value!r}.",
            mend=f"Write one of: {', '.join(repr(item) for item in allowed)}.",
        )
    return value


def _identity(section: _Section, path: Path) -> IdentityMap:
    for key in ("tag", "on"):
        section.need(key)
    on = _column("on", section.take("on", (str, dict)), f"{section.place}, on")
    name, entries = section.take("file", str), section.sections("period")
    if (name is None) == (not entries):
        raise MappingError(
            f"{section.place} says neither or both of file and period.",
            mend="Name a CSV file beside the mapping, or write [[table.identity.period]] parts.",
        )
    if name is not None:
        periods = read_periods(path, name)
    else:
        rows = [
            {key: entry.take(key, (str, date)) for key in ("tag", "from_on", "to_on", "colony_id")}
            for entry in entries
        ]
        for entry in entries:
            entry.close()
        periods = tag_periods(rows, section.place)
    tag = section.take("tag", str)
    section.close()
    return IdentityMap(tag, on, periods, name or path.name)


def _ignored(section: _Section) -> Ignored:
    section.need("where")
    section.need("reason")
    read = Ignored(_conditions(section, "where"), section.take("reason", str))
    section.close()
    return read


def _record(section: _Section) -> RecordMapping:
    section.need("record")
    section.need("columns")
    columns = section.take("columns", dict)
    read = RecordMapping(
        section.take("record", str),
        tuple(_column(name, given, f"{section.place}, {name}") for name, given in columns.items()),
        _conditions(section, "where"),
    )
    section.close()
    return read


def _conditions(section: _Section, key: str) -> tuple[Condition, ...]:
    return tuple(_condition(part) for part in section.sections(key))


def _condition(section: _Section) -> Condition:
    section.need("column")
    given = [test for test in _TESTS if test in section.given]
    if len(given) != 1:
        raise MappingError(
            f"{section.place} has {len(given)} tests.", mend=f"Give one of: {', '.join(_TESTS)}."
        )
    matches = section.take("matches", str)
    if matches is not None:
        try:
            pl.Series([""]).str.contains(matches)
        except pl.exceptions.PolarsError:
            raise MappingError(
                f"{section.place}: {matches!r} is no regular expression.", mend="Correct matches."
            ) from None
    read = Condition(
        section.take("column", str),
        section.take("equals", str),
        section.texts("in") if "in" in section.given else None,
        section.texts("not_in") if "not_in" in section.given else None,
        matches,
        section.take("is_empty", bool),
    )
    for test in ("in", "not_in"):
        section.take(test, list)
    section.close()
    return read


def _column(name: str, given: Any, place: str) -> ColumnMapping:
    """Read one column's mapping; a bare text is the source column."""
    section = _Section({"from": given} if isinstance(given, str) else given, place)
    sources = [key for key in _SOURCES if key in section.given]
    if len(sources) != 1:
        raise MappingError(
            f"{place} has {len(sources)} sources.", mend=f"Give one of: {', '.join(_SOURCES)}."
        )
    recode = section.take("recode", dict)
    read = ColumnMapping(
        column=name,
        source=section.take("from", str),
        sum_of=section.texts("sum"),
        join_of=section.texts("join"),
        separator=section.take("separator", str, " "),
        constant=section.take("constant", _CONSTANTS),
        is_identity=section.take("identity", bool, False),
        absent=section.take("absent", str),
        unit=section.take("unit", str),
        date_format=section.take("format", str),
        time_zone=section.take("time_zone", str),
        repeated_hour=_one_of(section, "repeated_hour", tuple(REPEATED_HOUR), "refuse"),
        recode=recode,
        missing=section.texts("missing"),
        when=_conditions(section, "when"),
        is_optional=section.take("optional", bool, False),
    )
    section.close()
    _check_column(read, place)
    return read


def _check_column(read: ColumnMapping, place: str) -> None:
    is_made_here = read.constant is not None or read.is_identity or read.absent is not None
    if not is_made_here and not all(read.sources or ("",)):
        raise MappingError(
            f"{place} names no column of the file.", mend="Name the column that it comes from."
        )
    if isinstance(read.constant, datetime):
        raise MappingError(f"{place}: the constant is a moment.", mend="Write it as text.")
    for meaning in (read.recode or {}).values():
        if not isinstance(meaning, _CONSTANTS):
            raise MappingError(f"{place}: recode gives {meaning!r}.", mend="Give plain values.")
    checks: list[tuple[str | None, Callable[[str, str], None]]] = [
        (read.date_format, check_format),
        (read.time_zone, check_time_zone),
        (read.unit, _check_unit),
    ]
    for value, check in checks:
        if value is not None:
            check(value, place)


def _check_unit(name: str, place: str) -> None:
    if composite(name):
        return
    try:
        unit(name)
    except MappingError as error:
        raise MappingError(f"{place}: {error.problem}", mend=error.mend) from None
