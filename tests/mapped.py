"""Mappings applied to small tables: TOML and rows in, checked rows out."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from textwrap import dedent

import polars as pl

from pipeline.checks import Checked, check_rows
from pipeline.contracts import load_contracts
from pipeline.mapping import TablePlan, load_mappings, plan_table
from pipeline.readers import ROW

TODAY = date(2026, 1, 1)
CONTRACTS = load_contracts()


def plan(
    folder: Path, toml: str, header: tuple[str, ...], decimal: str = ".", sheet: str = ""
) -> TablePlan:
    (folder / "mappings").mkdir(exist_ok=True)
    (folder / "mappings" / "log.toml").write_text(dedent(toml), encoding="utf-8")
    mappings = load_mappings(folder / "mappings")
    return plan_table("log.csv", sheet, header, mappings, CONTRACTS, decimal=decimal)


def batch(rows: list[dict[str, str | None]]) -> pl.DataFrame:
    names = list(rows[0])
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String))
    return frame.with_row_index(ROW, 2).with_columns(pl.col(ROW).cast(pl.Int64))


def apply(
    folder: Path, toml: str, rows: list[dict[str, str | None]], decimal: str = "."
) -> list[Checked]:
    table = plan(folder, toml, tuple(rows[0]), decimal)
    return [check_rows(CONTRACTS[r.record], r, batch(rows), TODAY) for r in table.records]


def told(checked: Checked) -> list[tuple[object, ...]]:
    return checked.rejected.select("row", "column", "value", "rule").rows()


WEIGHINGS = """
    [[table]]
    files = "log.csv"
    {table}
    [[table.record]]
    record = "weighings"
    [table.record.columns]
    colony_id = "Hive"
    weighed_on = {day}
    gross_kg = {weight}
    method = {{constant = "scale"}}
"""


def weighings(table: str = "", day: str = '"Day"', weight: str = '"Weight"') -> str:
    return dedent(WEIGHINGS).format(table=table, day=day, weight=weight)


def hive(**cells: str | None) -> dict[str, str | None]:
    return {"Hive": "A", "Day": "2024-10-05", **cells}


READINGS = """
    [[table]]
    files = "log.csv"
    [[table.record]]
    record = "sensor_readings"
    [table.record.columns]
    colony_id = {{constant = "A"}}
    logged_at = {{{moment}}}
    position = {{constant = "brood nest"}}
    temperature_c = {temperature}
"""


def readings(moment: str, temperature: str = '{from = "T", unit = "°F"}') -> str:
    return dedent(READINGS).format(moment=moment, temperature=temperature)


MITES = """
    [[table]]
    files = "log.csv"
    [[table.record]]
    record = "mite_counts"
    [table.record.columns]
    colony_id = "Hive"
    sampled_on = "Day"
    method = {{from = "How", recode = {{wash = "alcohol wash", board = "sticky board"}}}}
    {columns}
"""
