"""The derived tables by other rules, made in memory by the stages themselves."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from models.refits.base import Records
from pipeline.progress import SILENT, Progress
from pipeline.settings import Settings
from pipeline.stages.graph import build_tables
from pipeline.stages.stored import StoredTable
from pipeline.store import Store


@dataclass(frozen=True, slots=True)
class ReducedOnce(StoredTable):
    """A stored table that keeps what each query made of it: no setting changes a query."""

    kept: dict[tuple[Any, ...], pl.DataFrame] = field(default_factory=dict)

    def reduce(self, query: str, **parameters: Any) -> pl.DataFrame:
        """Run ``QUERY.sql`` the first time it is asked for."""
        key = (query, *sorted(parameters.items()))
        if key not in self.kept:
            self.kept[key] = StoredTable.reduce(self, query, **parameters)
        return self.kept[key]


def derive_records(store_path: Path, chosen: list[Settings], progress: Progress) -> list[Records]:
    """Derive the tables anew under other settings, in memory; the store is only read.

    Parameters
    ----------
    store_path : Path
        Of a study that has been prepared.
    chosen : list of Settings
    progress : Progress

    Returns
    -------
    list of Records
        One for each of ``chosen``.
    """
    made = []
    with (
        Store.open(store_path, read_only=True) as store,
        progress.task("deriving tables by other rules", total=len(chosen), unit="rules") as task,
    ):
        stored: dict[str, ReducedOnce] = {}

        def of_store(name: str) -> StoredTable:
            return stored.setdefault(name, ReducedOnce(store.connection, name))

        for settings in chosen:
            tables, _ = build_tables(store.table, of_store, settings, SILENT)
            made.append(Records(tables["colony_winters"], tables["mite_samples"]))
            task.advance()
    return made
