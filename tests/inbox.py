"""A small study's inbox: putting files in, ingesting, and seeing all that the store then holds."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.ingest import IngestSummary, ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study

TODAY = date(2025, 4, 1)
APIARIES = "apiary_id,member_id\nHill,M1\n"
COLONIES = "colony_id,apiary_id\nC1,Hill\nC2,Hill\n"
HEAD = "colony_id,weighed_on,gross_kg,method\n"


def put(study: Study, **texts: str) -> None:
    """Write CSV files into the inbox."""
    for name, text in texts.items():
        (study.inbox_path / f"{name}.csv").write_text(text, encoding="utf-8")


def ingest(study: Study, today: date = TODAY) -> IngestSummary:
    return ingest_study(study, Settings(), SILENT, today)


def stored(study: Study, table: str) -> pl.DataFrame:
    with Store.open(study.store_path, read_only=True) as store:
        return store.table(table)


def rejected(study: Study) -> list[tuple[str, int, str, str]]:
    """File, row, column and rule of each line."""
    return stored(study, "rejected_rows").select("file_name", "row", "column", "rule").rows()


def everything(study: Study) -> dict[str, list[tuple[object, ...]]]:
    """All that the store holds, but for times of ingest."""
    with Store.open(study.store_path, read_only=True) as store:
        tables = store.connection.sql(
            "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE'"
        ).fetchall()
        found = {}
        for (name,) in tables:
            frame = store.connection.sql(f'FROM "{name}"').pl()
            times = [c for c in frame.columns if c.endswith("ingested_at")]
            found[name] = sorted(frame.drop(times).rows(), key=repr)
        return found


def many_readings(rows: int) -> str:
    """Write readings of one colony a minute apart."""
    moment = pl.datetime(2024, 1, 1, time_zone="UTC") + pl.duration(minutes=pl.col("i"))
    frame = pl.select(i=pl.int_range(rows)).select(
        colony_id=pl.lit("C1"),
        logged_at=moment,
        position=pl.lit("floor"),
        temperature_c=pl.col("i").hash(1) % 4000 / 100,
        humidity_pct=pl.col("i").hash(2) % 10_000 / 100,
    )
    return frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%S%:z")
