"""Contracts: the one list of what each table holds, read from ``data_contracts/``.

From a contract come the checks at ingest, the tables of the store, the blank templates and
the data dictionary. ``contract_reader.py`` reads the YAML.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import polars as pl

DATE_FORMAT = "%Y-%m-%d"
DATETIME_FORMAT = "%Y-%m-%dT%H:%M:%S%z"
NOTES_MARK = "# units:"
"""How the first cell of a template's row of notes begins; such a row is not data."""
EXAMPLE_MARK = "# example:"
"""How the first cell of an invented example row begins; such a row is not data."""
LISTS_SHEET = "winterpool lists"
"""The template workbook's hidden sheet of allowed values; it is not data."""

POLARS_TYPES: dict[str, pl.DataType] = {
    "string": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "boolean": pl.Boolean(),
    "date": pl.Date(),
    "datetime": pl.Datetime("us", "UTC"),
}
_DUCKDB_TYPES = {
    "string": "VARCHAR",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "boolean": "BOOLEAN",
    "date": "DATE",
    "datetime": "TIMESTAMPTZ",
}
PROVENANCE = {
    "_file_sha256": "VARCHAR",
    "_file_no": "INTEGER",
    "_sheet": "VARCHAR",
    "_row": "BIGINT",
    "_ingested_at": "TIMESTAMPTZ",
    "_is_superseded": "BOOLEAN",
}
"""The columns that say where a stored row came from, with their types in the store."""


@dataclass(frozen=True, slots=True)
class Field:
    """One column: its type, its unit and what its values must satisfy."""

    name: str
    type: str
    description: str
    title: str
    format: str
    unit: str | None
    is_private: bool
    is_required: bool
    is_not_after_today: bool
    default: Any
    minimum: Any
    maximum: Any
    enum: tuple[Any, ...]
    pattern: str | None
    max_length: int | None
    true_values: tuple[str, ...]
    false_values: tuple[str, ...]

    @property
    def polars_type(self) -> pl.DataType:
        """The type of the column in a frame."""
        return POLARS_TYPES[self.type]


@dataclass(frozen=True, slots=True)
class Reference:
    """Columns whose values must exist in another record."""

    columns: tuple[str, ...]
    record: str
    record_columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule on several columns of one row; which attributes count depends on ``kind``."""

    kind: str
    column: str = ""
    columns: tuple[str, ...] = ()
    other: str = ""
    values: tuple[Any, ...] = ()
    winter: str = ""
    from_day: str = ""
    to_day: str = ""
    reference: str = ""
    on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Contract:
    """What one table holds; each is one of a kind, equal to itself alone."""

    name: str
    title: str
    description: str
    fields: tuple[Field, ...]
    key: tuple[str, ...]
    references: tuple[Reference, ...]
    rules: tuple[Rule, ...]
    missing_values: tuple[str, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """The column names, in order."""
        return tuple(field.name for field in self.fields)

    @property
    def polars_schema(self) -> dict[str, pl.DataType]:
        """Column names and types of a frame that keeps the contract."""
        return {field.name: field.polars_type for field in self.fields}

    def field(self, name: str) -> Field:
        """Return the column called ``name``; ``KeyError`` when there is none."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(name)


@cache
def load_contracts() -> dict[str, Contract]:
    """Contracts of the records that members send, what is referred to first.

    Raises
    ------
    ContractError
        A contract is not valid.

    Examples
    --------
    >>> names = list(load_contracts())
    >>> names.index("apiaries") < names.index("colonies") < names.index("weighings")
    True
    """
    from pipeline.contract_reader import read_contracts

    return read_contracts(files("data_contracts"))


@cache
def load_derived_contracts() -> dict[str, Contract]:
    """Contracts of the derived tables that stages write."""
    from pipeline.contract_reader import read_contracts

    return read_contracts(files("data_contracts") / "derived")


@cache
def contracts_fingerprint() -> str:
    """Digest of all record contracts: files are read again when it changes."""
    total = hashlib.sha256()
    for contract in load_contracts().values():
        total.update(repr(contract).encode())
    return total.hexdigest()


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def record_ddl(contract: Contract) -> list[str]:
    """Statements that make a record's table ``NAME_rows`` and its view ``NAME`` of current rows."""
    columns = [f"{_quoted(f.name)} {_DUCKDB_TYPES[f.type]}" for f in contract.fields]
    columns += [f"{name} {kind} NOT NULL" for name, kind in PROVENANCE.items()]
    rows = _quoted(f"{contract.name}_rows")
    current = ", ".join(_quoted(name) for name in contract.columns)
    return [
        f"CREATE TABLE {rows} ({', '.join(columns)})",
        f"CREATE VIEW {_quoted(contract.name)} AS "
        f"SELECT {current} FROM {rows} WHERE NOT _is_superseded",
    ]


def _allowed(field: Field) -> str:
    if field.enum:
        return ", ".join(str(value) for value in field.enum)
    if field.type == "boolean":
        return f"{field.true_values[0]} or {field.false_values[0]}"
    if field.minimum is not None and field.maximum is not None:
        return f"{field.minimum} to {field.maximum}"
    if field.minimum is not None:
        return f"from {field.minimum}"
    return "" if field.maximum is None else f"up to {field.maximum}"


def data_dictionary(contracts: dict[str, Contract]) -> pl.DataFrame:
    """Describe every column of every contract, one row each.

    Returns
    -------
    polars.DataFrame
        Columns ``table, column, type, unit, allowed, is_required, is_private, description``, all
        text but the two booleans; in the order of the contracts.
    """
    rows = [
        {
            "table": contract.name,
            "column": field.name,
            "type": field.type,
            "unit": field.unit or "",
            "allowed": _allowed(field),
            "is_required": field.is_required,
            "is_private": field.is_private,
            "description": field.description,
        }
        for contract in contracts.values()
        for field in contract.fields
    ]
    return pl.DataFrame(rows)
