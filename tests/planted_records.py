"""Puts a few invented records into a store, for tests that know every one of them."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl

from pipeline.contracts import load_contracts, load_derived_contracts
from pipeline.store import Store


def put_records(store: Store, record: str, rows: list[dict]) -> None:
    """Put rows of a record into the store; ``_is_superseded`` is false unless a row says so."""
    schema = load_contracts()[record].polars_schema | {
        "_file_sha256": pl.String,
        "_file_no": pl.Int32,
        "_sheet": pl.String,
        "_row": pl.Int64,
        "_ingested_at": pl.Datetime("us", "UTC"),
        "_is_superseded": pl.Boolean,
    }
    came = {
        "_file_sha256": "a" * 64,
        "_file_no": 1,
        "_sheet": "",
        "_row": 2,
        "_ingested_at": datetime(2025, 6, 1, tzinfo=UTC),
        "_is_superseded": False,
    }
    frame = pl.DataFrame([came | row for row in rows], schema=schema)
    store.connection.register("planted", frame)
    columns = ", ".join(frame.columns)
    store.connection.execute(f'INSERT INTO "{record}_rows" ({columns}) FROM planted')
    store.connection.unregister("planted")


def put_derived(store: Store, table: str, rows: list[dict]) -> None:
    """Write a derived table of these rows."""
    schema = load_derived_contracts()[table].polars_schema
    store.replace_table(table, pl.DataFrame(rows, schema=schema))


def units_of(members: int, *, level: str = "full") -> pl.DataFrame:
    """One colony-winter a member, of winter 2024, colony Cn of member Mn."""
    schema = load_derived_contracts()["colony_winters"].polars_schema
    rows = [
        {
            "colony_id": f"C{k}",
            "winter": 2024,
            "member_id": f"M{k}",
            "apiary_id": f"A{k}",
            "level": level,
            "is_disaster": False,
            "sensor_days": 7,
        }
        for k in range(members)
    ]
    return pl.DataFrame(rows, schema=schema)
