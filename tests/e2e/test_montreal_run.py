"""Real records through the whole command line: an honest report where nothing can be estimated.

Expected figures: README of the open data (Abdollahi et al. 2024, arXiv:2406.03657, and its weather
file): winter 2022/23 shows 9 colonies wintered, 4 lost; 1 October 2021 to 31 March 2022 has
2106.4 K·day at base 10 °C over daily means of hours.
"""

from __future__ import annotations

import csv
import re
import shutil
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.store import Store
from pipeline.study import Study
from tests.e2e.conftest import run_winterpool
from tests.e2e.test_montreal_intake import FILES, HERE, OPEN_DATA

pytestmark = pytest.mark.skipif(
    not all((OPEN_DATA / name).is_file() for name in FILES),
    reason="the open data are not beside the repository",
)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = tmp_path_factory.mktemp("real") / "montreal"
    shutil.copytree(HERE, folder)
    for name, place in FILES.items():
        shutil.copyfile(OPEN_DATA / name, folder / place / Path(name).name)
    done = run_winterpool("run", folder, "--quiet")
    assert done.returncode == 0, done.stderr
    return Study(folder)


@pytest.fixture(scope="module")
def units(study: Study) -> pl.DataFrame:
    with Store.open(study.store_path, read_only=True) as store:
        return store.table("colony_winters")


@pytest.fixture(scope="module")
def page(study: Study) -> str:
    return study.report_page.read_text(encoding="utf-8")


def test_winter_2022_shows_nine_wintered_and_four_lost(units: pl.DataFrame) -> None:
    known = units.filter(pl.col("winter") == 2022)["is_alive"].drop_nulls()
    assert (known.len(), int((~known).sum())) == (9, 4)


def test_degree_days_of_the_real_winter(study: Study) -> None:
    with Store.open(study.store_path, read_only=True) as store:
        days = store.table("station_days").filter(
            pl.col("station_id") == "montreal-hourly",
            pl.col("observed_on").is_between(date(2021, 10, 1), date(2022, 3, 31)),
        )
    mean = days["temperature_mean_c"].drop_nulls()
    assert mean.len() == 182
    assert (10.0 - mean).clip(lower_bound=0).sum() == pytest.approx(2106.4, abs=0.1)


def test_no_unit_is_analysed_without_a_set_up(units: pl.DataFrame) -> None:
    assert units["exclusion_reason"].null_count() == 0
    assert "no set-up recorded" in units["exclusion_reason"].to_list()


def test_no_number_stands_in_the_estimates(study: Study) -> None:
    with (study.results_path / "estimands.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows
    assert {row["status"] for row in rows} == {"cannot be estimated"}
    assert all(row["mean"] == "" and row["p_benefit"] == "" for row in rows)


def test_the_report_says_why_nothing_can_be_estimated(page: str) -> None:
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    assert re.search(r"cannot be estimated from these records, because [^.]*set-up", text, re.I)
    assert "nan" not in re.findall(r"[A-Za-z]+", text)


def test_no_note_reaches_the_page_or_the_results(study: Study, page: str) -> None:
    notes = set()
    for name, column in (
        ("inspections_2021.csv", "Notes"),
        ("inspections_2022.csv", "Report notes"),
    ):
        text = (OPEN_DATA / "montreal-2021-2022" / name).read_text(encoding="utf-8")
        notes |= {(row[column] or "").strip() for row in csv.DictReader(text.splitlines())}
    long_notes = [note for note in notes if len(note) > 15]
    assert len(long_notes) > 30
    outputs = [page] + [p.read_text(encoding="utf-8") for p in study.results_path.glob("*.csv")]
    assert [note for note in long_notes for output in outputs if note in output] == []


def test_a_second_run_changes_nothing(study: Study) -> None:
    done = run_winterpool("run", study.path, "--quiet")
    assert done.returncode == 0, done.stderr
    for step in ("prepare", "fit", "report"):
        assert f"{step}: up to date" in done.stdout
