"""The coverage calendar: planted records counted by month, few members hidden."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.store import Store
from reports.context import Pool, load_pool
from reports.coverage import MONTHS, WEATHER, read_coverage
from reports.figures_calendar import calendar_alt, calendar_figure, calendar_table, say_calendar
from reports.tables import FEW
from tests.planted_records import put_derived, put_records, units_of
from tests.report_study import write_study

UNITS = units_of(6)


def _weighed(colony: int, day: date, **more: object) -> dict:
    return {
        "colony_id": f"C{colony}",
        "weighed_on": day,
        "gross_kg": 40.0,
        "method": "scale",
        **more,
    }


@pytest.fixture(scope="module")
def coverage(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    path: Path = tmp_path_factory.mktemp("coverage") / "store.duckdb"
    with Store.open(path) as store:
        rows = [_weighed(k, date(2024, 10, 12)) for k in range(6)]
        rows += [_weighed(0, date(2024, 10, 20))]  # the same colony again: one colony-winter
        rows += [_weighed(k, date(2025, 2, 10)) for k in range(5)]
        rows += [_weighed(k, date(2025, 4, 8)) for k in range(2)]  # two members: hidden
        rows += [_weighed(0, date(2024, 6, 30))]  # of the winter before, which is not counted
        rows += [_weighed(0, date(2025, 3, 3), _is_superseded=True)]
        rows += [_weighed(9, date(2024, 12, 1))]  # a colony of no counted unit
        put_records(store, "weighings", rows)
        days = [date(2024, 12, 1) + timedelta(days=d) for d in range(3)]
        put_derived(
            store,
            "station_days",
            [
                {"station_id": "S", "observed_on": day, "temperature_mean_c": c}
                for day, c in zip(days, (1.0, 2.0, None), strict=True)
            ],
        )
        put_derived(
            store,
            "degree_days",
            [{"colony_id": f"C{k}", "winter": 2024, "station_id": "S"} for k in range(6)],
        )
        return read_coverage(store, UNITS, 5)


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory, coverage: pl.DataFrame) -> Pool:
    made = load_pool(write_study(tmp_path_factory.mktemp("calendar") / "study", members=6))
    return replace(made, coverage=coverage, colony_winters=UNITS)


def _of(coverage: pl.DataFrame, kind: str) -> dict[int, dict]:
    return {row["month"]: row for row in coverage.filter(pl.col("kind") == kind).to_dicts()}


def test_colony_winters_are_counted_once_a_month_and_only_in_their_winter(
    coverage: pl.DataFrame,
) -> None:
    assert coverage["kind"].unique(maintain_order=True).to_list() == ["weighed", WEATHER]
    weighed = _of(coverage, "weighed")
    assert tuple(weighed) == MONTHS
    assert (weighed[10]["n_units"], weighed[10]["n_records"]) == (6, 7)
    assert [weighed[month]["n_units"] for month in (6, 7, 12, 3)] == [0, 0, 0, 0]


def test_weather_is_counted_where_it_has_a_temperature(coverage: pl.DataFrame) -> None:
    weather = _of(coverage, WEATHER)
    assert (weather[12]["n_units"], weather[12]["n_records"]) == (6, 12)
    assert weather[11]["n_units"] == 0


def test_few_members_are_hidden_and_so_is_what_would_tell_them(coverage: pl.DataFrame) -> None:
    weighed = _of(coverage, "weighed")
    assert weighed[4]["is_hidden"] and weighed[4]["n_units"] is None
    # five members would do, but the two of April would follow from the total
    assert weighed[2]["is_hidden"] and weighed[2]["n_records"] is None
    assert not weighed[10]["is_hidden"]


def test_the_alt_text_says_when_and_how_many(pool: Pool) -> None:
    assert calendar_alt(pool) == (
        "Records by month of winter, July to June, of 6 colony-winters. "
        "weighed: October, February and April, most in October with 6 colony-winters (100 %); "
        f"{WEATHER}: December, most in December with 6 colony-winters (100 %)."
    )


def test_the_figure_writes_the_counts_and_hatches_what_is_hidden(pool: Pool) -> None:
    [axes] = calendar_figure(pool).axes
    assert [text.get_text() for text in axes.texts] == ["6", "6"]
    assert [text.get_text() for text in axes.get_xticklabels()][:2] == ["Jul", "Aug"]
    hatched = [p.get_xy() for p in axes.patches if p.get_hatch()]
    assert hatched == [(6.5, -0.5), (8.5, -0.5)]  # February and April of the first row


def test_the_table_has_the_same_numbers(pool: Pool) -> None:
    row = calendar_table(pool).row(0, named=True)
    assert (row["kind"], row["Oct"], row["Feb"], row["Apr"], row["Jul"]) == (
        "weighed",
        "6",
        FEW,
        FEW,
        "0",
    )


def test_without_dated_records_it_says_so(pool: Pool, capsys: pytest.CaptureFixture) -> None:
    say_calendar(replace(pool, coverage=pool.coverage.clear()))
    assert "no calendar is drawn" in capsys.readouterr().out


def test_a_store_without_stages_has_a_calendar_of_its_records(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.duckdb") as store:
        assert read_coverage(store, UNITS, 5).is_empty()
