"""Real records through ingest: every row of the open data is accounted for.

The figures are those of the README beside the open data: 109 and 288 inspection rows, 80,236
readings, 13,896 weather hours, the outcome table of winter 2022/23, and the sums of frames.
"""

import csv
import gzip
import shutil
from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.ingest import IngestSummary, ingest_study
from pipeline.progress import SILENT
from pipeline.settings import read_settings
from pipeline.store import Store
from pipeline.study import Study

HERE = Path(__file__).parents[1] / "studies" / "montreal"
OPEN_DATA = Path(__file__).parents[2].parent / "shared" / "open-data"
TODAY = date(2026, 1, 1)
FILES = {
    "montreal-2021-2022/inspections_2021.csv": "inbox",
    "montreal-2021-2022/inspections_2022.csv": "inbox",
    "montreal-2021-2022/sensor_2021.csv.gz": "inbox",
    "montreal-2021-2022/weather_2021_2022.csv": "weather",
    "ghcn-daily/USW00094728_2010-2019.dly": "weather",
}

pytestmark = pytest.mark.skipif(
    not all((OPEN_DATA / name).is_file() for name in FILES),
    reason="the open data are not beside the repository",
)


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, IngestSummary]:
    folder = tmp_path_factory.mktemp("studies") / "montreal"
    shutil.copytree(HERE, folder)
    for name, place in FILES.items():
        shutil.copyfile(OPEN_DATA / name, folder / place / Path(name).name)
    study = Study(folder)
    return study, ingest_study(study, read_settings(study.settings_path), SILENT, TODAY)


@pytest.fixture(scope="module")
def tables(taken_in: tuple[Study, IngestSummary]) -> dict[str, pl.DataFrame]:
    study, _ = taken_in
    names = (
        "strength_inspections",
        "mite_counts",
        "treatments",
        "winter_outcomes",
        "sensor_readings",
        "weather_hourly",
        "weather_daily",
        "colonies",
        "apiaries",
    )
    with Store.open(study.store_path, read_only=True) as store:
        found = {name: store.table(name) for name in names}
        found["rejected"] = store.connection.sql("SELECT * FROM rejected_rows").pl()
    return found


def rejected_of(tables: dict[str, pl.DataFrame], file: str) -> pl.DataFrame:
    rejected = tables["rejected"].filter(pl.col("file_name").str.ends_with(file))
    return rejected.unique("row").group_by("rule").len().sort("rule")


def test_every_file_is_loaded(taken_in: tuple[Study, IngestSummary]) -> None:
    _, summary = taken_in
    assert [(f.name, f.problem) for f in summary.files if f.status != "loaded"] == []
    read = {Path(f.name).name: f.rows_read for f in summary.files}
    assert read["inspections_2021.csv"] == 109
    assert read["inspections_2022.csv"] == 288
    assert read["sensor_2021.csv.gz"] == 80_236
    assert read["weather_2021_2022.csv"] == 13_896
    assert read["USW00094728_2010-2019.dly"] == 3_652
    for file in summary.files:
        assert file.rows_read == file.rows_accepted + file.rows_rejected, file.name


def test_inspections_of_2021_are_all_loaded_with_boxes_added_up(
    tables: dict[str, pl.DataFrame],
) -> None:
    strength = tables["strength_inspections"]
    assert strength.filter(pl.col("inspected_on").dt.year() == 2021).height == 109
    last = (
        strength.filter(pl.col("inspected_on") < date(2022, 1, 1))
        .sort("inspected_on")
        .group_by("colony_id")
        .last()
    )
    # README, "Strength going into winter and outcome": last inspection of 2021.
    assert dict(last.select("colony_id", "frames_of_bees").iter_rows()) == {
        "3692-2021": 16.5,
        "3627-2021": 15.0,
        "3628-2021": 13.5,
        "3691": 17.0,
        "3690": 13.0,
        "3693": 17.0,
        "3631": 18.0,
        "6": 9.0,
        "3640-2021": 20.0,
        "3629-2021": 15.0,
    }


def test_the_log_of_2022_is_split_and_accounted_for(tables: dict[str, pl.DataFrame]) -> None:
    strength = tables["strength_inspections"]
    assert strength.filter(pl.col("inspected_on").dt.year() == 2022).height == 34
    assert tables["treatments"]["active_ingredient"].to_list() == ["formic acid"] * 20
    assert tables["winter_outcomes"].height == 10
    assert tables["mite_counts"].height == 0
    assert dict(rejected_of(tables, "inspections_2022.csv").iter_rows()) == {
        "ignored by mapping": 208,
        "required": 16,
    }
    refused = tables["rejected"].filter(pl.col("column") == "method")
    assert refused["mend"].unique().to_list() == [
        "Ask the member for method: the log says neither how mites were counted nor in how many "
        "bees."
    ]


def test_outcomes_of_winter_2022_are_those_of_the_table(tables: dict[str, pl.DataFrame]) -> None:
    outcomes = tables["winter_outcomes"].sort("checked_on", "colony_id")
    # README, table "Winter 2022-23": 3629 before winter; 3628, 3631, 3690, 3640 lost in it.
    dead = outcomes.filter(pl.col("state") == "dead")
    assert list(dead.select("colony_id", "death_found_on").iter_rows()) == [
        ("3629-2022", date(2022, 9, 21)),
        ("3628-2022", date(2022, 11, 29)),
        ("3631", date(2022, 11, 29)),
        ("3690", date(2023, 4, 12)),
        ("3640-2022", date(2023, 4, 27)),
    ]
    alive = outcomes.filter(pl.col("state") == "alive")
    assert set(alive["colony_id"]) == {"3627-2022", "3692-2022", "3691", "3693", "6"}
    assert alive["death_found_on"].null_count() == 5


def test_readings_are_loaded_once_in_utc_and_repeats_are_rejected(
    tables: dict[str, pl.DataFrame],
) -> None:
    readings = tables["sensor_readings"]
    rules = dict(rejected_of(tables, "sensor_2021.csv.gz").iter_rows())
    assert readings.height + sum(rules.values()) == 80_236
    with gzip.open(OPEN_DATA / "montreal-2021-2022/sensor_2021.csv.gz", "rt") as file:
        pairs = {(row["Tag number"], row["Date"]) for row in csv.DictReader(file)}
    assert readings.height == len(pairs)
    assert rules == {"duplicate key": 80_236 - len(pairs)}
    first = min(moment for _, moment in pairs)
    assert readings["logged_at"].min() == datetime.fromisoformat(first)
    assert readings["colony_id"].n_unique() == 7


def test_weather_hours_are_shifted_from_local_standard_time(
    tables: dict[str, pl.DataFrame],
) -> None:
    hours = tables["weather_hourly"].sort("observed_at")
    assert hours.height == 13_896
    assert hours["temperature_c"].null_count() == 120
    assert hours["observed_at"][0].isoformat() == "2021-06-01T05:00:00+00:00"
    # In July too the offset is five hours: the clock is never set.
    july = hours.filter(pl.col("observed_at") == datetime.fromisoformat("2021-07-01T05:00:00Z"))
    assert july.height == 1
    gaps = hours["observed_at"].diff().drop_nulls().unique()
    assert [gap.total_seconds() for gap in gaps] == [3600.0]


def test_tags_that_were_used_again_are_not_joined(tables: dict[str, pl.DataFrame]) -> None:
    strength = tables["strength_inspections"]
    years = strength.group_by("colony_id").agg(pl.col("inspected_on").dt.year().unique())
    reused = years.filter(pl.col("colony_id").str.contains("-20"))
    assert reused.height == 10
    assert reused["inspected_on"].list.len().max() == 1
    assert tables["colonies"].height == 15


def test_archive_days_are_loaded(tables: dict[str, pl.DataFrame]) -> None:
    daily = tables["weather_daily"]
    assert daily.height == 3_652
    assert daily["temperature_max_c"].null_count() == 0
    assert daily["temperature_mean_c"].null_count() == 3_652


def test_loading_again_changes_nothing(taken_in: tuple[Study, IngestSummary]) -> None:
    study, _ = taken_in
    again = ingest_study(study, read_settings(study.settings_path), SILENT, TODAY)
    assert {file.status for file in again.files} == {"unchanged"}
