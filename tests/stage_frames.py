"""Frames for tests of the stages: rows given by their telling columns, typed by the contracts."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.contracts import load_contracts
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.stages.graph import StageReport, build_tables
from pipeline.stages.stored import StoredTable

Rows = dict[str, list[dict[str, Any]]]


def record(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """A record's frame: columns not given are empty; dates may be ISO text."""
    contract = load_contracts()[name]
    kinds = {field.name: field.type for field in contract.fields}

    def value(column: str, given: Any) -> Any:
        if isinstance(given, str) and kinds[column] == "date":
            return date.fromisoformat(given)
        if isinstance(given, str) and kinds[column] == "datetime":
            return datetime.fromisoformat(given)
        return given

    strange = {column for row in rows for column in row} - set(kinds)
    if strange:
        raise KeyError(f"{name} has no columns {sorted(strange)}")
    full = [{column: value(column, row.get(column)) for column in kinds} for row in rows]
    return pl.DataFrame(full, schema=contract.polars_schema, orient="row")


def records(rows: Rows) -> dict[str, pl.DataFrame]:
    """Frames of all records, empty where no rows are given."""
    return {name: record(name, rows.get(name, [])) for name in load_contracts()}


def stored_readings(readings: pl.DataFrame) -> StoredTable:
    """Sensor readings in a database in memory."""
    connection = duckdb.connect(config={"memory_limit": "1GB", "threads": 2})
    connection.execute("SET TimeZone = 'UTC'")
    connection.register("_readings", readings)
    connection.execute("CREATE TABLE sensor_readings AS FROM _readings")
    connection.unregister("_readings")
    return StoredTable(connection, "sensor_readings")


def derived(
    frames: dict[str, pl.DataFrame], settings: Settings | None = None
) -> tuple[dict[str, pl.DataFrame], list[StageReport]]:
    """Every derived table of a pool, with the accounts."""
    stored = stored_readings(frames["sensor_readings"])
    return build_tables(frames.__getitem__, lambda _: stored, settings or Settings(), SILENT)


def hive(colony_id: str, **changes: Any) -> dict[str, Any]:
    """A colony in a ten-frame softwood hive of one deep box, at apiary ``yard``."""
    plain = {
        "colony_id": colony_id,
        "apiary_id": "yard",
        "inner_length_mm": 465.0,
        "inner_width_mm": 375.0,
        "inner_height_mm": 240.0,
        "wall_material": "softwood",
        "wall_thickness_mm": 22.0,
        "frames_max": 10,
        "empty_hive_kg": 15.0,
    }
    return plain | changes


def yard(**changes: Any) -> dict[str, Any]:
    """The apiary ``yard`` of an invented member, with its weather station."""
    plain = {"apiary_id": "yard", "member_id": "member A", "station_id": "station"}
    return plain | changes
