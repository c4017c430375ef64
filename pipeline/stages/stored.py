"""Stored tables too large to hold in memory, reduced where they lie."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import duckdb
import polars as pl


@dataclass(frozen=True, slots=True)
class StoredTable:
    """A table of the store, handed to the stages that reduce it by a query of theirs."""

    connection: duckdb.DuckDBPyConnection
    name: str

    def reduce(self, query: str, **parameters: Any) -> pl.DataFrame:
        """Run ``QUERY.sql`` of the stages' folder, which reads this table by its own name."""
        text = (files("pipeline") / "stages" / f"{query}.sql").read_text(encoding="utf-8")
        return self.connection.sql(text, params=parameters).pl()

    def count(self) -> int:
        """Rows in the table."""
        return int(self.connection.table(self.name).count("*").fetchall()[0][0])
