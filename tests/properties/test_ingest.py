"""Ingest, whatever members write: rows are conserved, and loading twice is loading once."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.contracts import load_contracts
from pipeline.ingest import IngestSummary, ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study
from tests.strategies import Row, csv_text, rows

RECORDS = ("colonies", "set_ups", "set_up_layers", "sensor_readings")
FEW = settings(
    max_examples=8,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
Files = dict[str, list[Row]]
some_files = st.fixed_dictionaries({name: rows(load_contracts()[name]) for name in RECORDS})


@contextmanager
def study_of(files: Files) -> Iterator[Study]:
    """Make a study whose inbox holds one CSV a record, and three apiaries to refer to."""
    with tempfile.TemporaryDirectory() as folder:
        study = Study(Path(folder))
        for place in (study.inbox_path, study.weather_path, study.mappings_path):
            place.mkdir()
        (study.inbox_path / "apiaries.csv").write_text("apiary_id,member_id\nA-1,M\nA-2,M\nA-3,M\n")
        for name, given_rows in files.items():
            put(study, name, given_rows)
        yield study


def put(study: Study, name: str, given_rows: list[Row], file: str = "") -> None:
    path = study.inbox_path / f"{file or name}.csv"
    path.write_text(csv_text(given_rows, load_contracts()[name].columns), encoding="utf-8")


def ingest(study: Study) -> IngestSummary:
    return ingest_study(study, Settings(), SILENT, date(2025, 4, 1))


def current(study: Study) -> dict[str, list[tuple[object, ...]]]:
    """The current rows of every record and what was rejected, but for times."""
    with Store.open(study.store_path, read_only=True) as store:
        found = {name: store.table(name).rows() for name in load_contracts()}
        lines = store.table("rejected_rows").drop("ingested_at")
        found["rejected_rows"] = sorted(lines.rows(), key=repr)
        return found


@FEW
@given(some_files)
def test_every_row_is_accepted_or_rejected_with_a_reason(files: Files) -> None:
    with study_of(files) as study:
        ingest(study)
        with Store.open(study.store_path, read_only=True) as store:
            counts = store.table("files")
            lines = store.table("rejected_rows")
            kept = {
                name: store.connection.sql(f"SELECT _row FROM {name}_rows").pl()["_row"].to_list()
                for name in files
            }
        assert lines.filter(
            pl.any_horizontal(pl.col("rule", "mend").is_null() | (pl.col("rule", "mend") == ""))
        ).is_empty()
        for name, given_rows in files.items():
            said = counts.row(by_predicate=pl.col("name") == f"{name}.csv", named=True)
            written = [i for i, row in enumerate(given_rows, 2) if any(row.values())]
            refused = set(lines.filter(pl.col("file_name") == f"{name}.csv")["row"])
            assert said["rows_read"] == len(written)
            assert said["rows_read"] == said["rows_accepted"] + said["rows_rejected"]
            assert said["rows_rejected"] == len(refused)
            assert sorted([*kept[name], *refused]) == written


@FEW
@given(some_files)
def test_loading_twice_is_loading_once(files: Files) -> None:
    with study_of(files) as study:
        ingest(study)
        before = current(study)
        assert {file.status for file in ingest(study).files} == {"unchanged"}
        assert current(study) == before


@FEW
@given(some_files)
def test_what_is_loaded_bit_by_bit_ends_the_same(files: Files) -> None:
    """References that arrive late are made good: the order of arrival does not matter."""
    with study_of(files) as at_once, study_of({}) as in_steps:
        ingest(at_once)
        (in_steps.inbox_path / "apiaries.csv").rename(in_steps.path / "apiaries.csv")
        for name in reversed(RECORDS):
            put(in_steps, name, files[name])
            ingest(in_steps)
        (in_steps.path / "apiaries.csv").rename(in_steps.inbox_path / "apiaries.csv")
        ingest(in_steps)
        assert current(in_steps) == current(at_once)


@FEW
@given(rows(load_contracts()["weather_daily"]), rows(load_contracts()["weather_daily"]))
def test_the_latest_accepted_row_of_a_key_is_the_current_one(
    older: list[Row], newer: list[Row]
) -> None:
    with study_of({}) as study, study_of({}) as only_newer:
        put(study, "weather_daily", older, "1")
        ingest(study)
        put(study, "weather_daily", newer, "2")
        ingest(study)
        put(only_newer, "weather_daily", newer, "2")
        ingest(only_newer)
        with Store.open(study.store_path, read_only=True) as store:
            both = store.table("weather_daily")
            every = store.connection.sql("FROM weather_daily_rows").pl()
        with Store.open(only_newer.store_path, read_only=True) as store:
            latest = store.table("weather_daily")
        key = ["station_id", "observed_on"]
        assert both.select(key).is_duplicated().sum() == 0
        assert both.join(latest, on=key, how="semi").equals(latest)
        assert both.height == every.select(key).unique().height
