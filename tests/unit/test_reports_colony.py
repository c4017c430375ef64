"""The winter of one colony: chosen by the rule, told by the week, nobody named."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.store import Store
from reports.context import Pool, load_pool
from reports.figures_colony import (
    colony_alt,
    colony_figure,
    colony_marks,
    say_colony,
    week_name,
    week_table,
)
from reports.one_winter import OneWinter, read_one_winter
from tests.planted_records import put_derived, put_records, units_of
from tests.report_study import write_study

FIRST = date(2024, 10, 6)  # the first day of the sixth week from 1 September
UNITS = units_of(6)


def _days(colony: int, days: int, *, warmer: float = 0.0) -> list[dict]:
    """Above the cluster 10 and 14 °C in turn, 60 %; one week is 7 days."""
    return [
        {
            "colony_id": f"C{colony}",
            "observed_on": FIRST + timedelta(days=d),
            "position": "above cluster",
            "readings": 24,
            "temperature_mean_c": 10.0 + warmer + 4.0 * (d // 7),
            "humidity_mean_pct": 60.0,
        }
        for d in range(days)
    ]


def _fill(store: Store, *, asked: list[dict] | None = None) -> None:
    days = [row for k in range(6) for row in _days(k, 14 if k in (2, 4) else 7, warmer=k)]
    put_derived(store, "sensor_days", days)
    weather = [
        {
            "station_id": "S",
            "observed_on": FIRST + timedelta(days=d),
            "temperature_mean_c": -2.0,
        }
        for d in range(14)
    ]
    put_derived(store, "station_days", weather)
    places = [
        {"colony_id": f"C{k}", "winter": 2024, "station_id": "S", "elevation_correction_k": -1.0}
        for k in range(6)
    ]
    put_derived(store, "degree_days", places)
    ends = [
        {"colony_id": f"C{k}", "winter": 2024, "state": "alive", "checked_on": date(2025, 4, 6)}
        for k in range(6)
    ]
    put_derived(store, "winter_survival", ends)
    fed = [(2024, 10, 7), (2024, 10, 9)]
    put_records(
        store,
        "feedings",
        [
            {"colony_id": "C4", "fed_on": date(*day), "feed": "syrup 2:1", "mass_kg": 1.5}
            for day in fed
        ],
    )
    put_records(
        store,
        "weighings",
        [
            {"colony_id": "C4", "weighed_on": day, "gross_kg": kg, "method": "scale"}
            for day, kg in ((date(2024, 10, 8), 44.0), (date(2025, 4, 6), 31.0))
        ],
    )
    if asked:
        put_records(store, "members", asked)


def _read(folder: Path, *, asked: list[dict] | None = None, units: pl.DataFrame = UNITS):
    with Store.open(folder / "store.duckdb") as store:
        _fill(store, asked=asked)
        return read_one_winter(store, units, 5)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> OneWinter:
    return _read(tmp_path_factory.mktemp("colony"))


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory, found: OneWinter) -> Pool:
    made = load_pool(write_study(tmp_path_factory.mktemp("page") / "study", members=6))
    return replace(made, one_winter=found)


def test_most_days_are_chosen_and_of_equals_most_visits(found: OneWinter) -> None:
    # C2 and C4 have 14 days each; only C4 was fed and weighed, and it is 4 K warmer than C0
    warmth = found.temperature.filter(pl.col("of") == "above cluster")
    assert warmth["week"].to_list() == [5, 6]
    assert warmth["value"].to_list() == [14.0, 18.0]
    assert (found.n_colony_winters, found.n_members) == (6, 6)
    assert (found.level, found.state) == ("full", "alive")


def test_outside_is_the_stations_at_the_hives_height(found: OneWinter) -> None:
    outside = found.temperature.filter(pl.col("of") == "outside")
    assert outside["value"].to_list() == [-3.0, -3.0]


def test_weighings_and_visits_stand_in_their_weeks(found: OneWinter) -> None:
    assert found.weight.rows() == [(5, "weighed", 44.0), (31, "weighed", 31.0)]
    assert found.events.rows() == [
        (5, "fed", 3.0),
        (31, "last check", None),
        (5, "weighed", None),
        (31, "weighed", None),
    ]


def test_only_colonies_of_those_who_agreed_are_chosen_from(tmp_path: Path) -> None:
    said = [{"member_id": f"M{k}", "may_publish": k != 4} for k in range(6)]
    other = _read(tmp_path, asked=said)
    assert other.n_members == 5
    warmth = other.temperature.filter(pl.col("of") == "above cluster")
    assert warmth["value"].to_list() == [12.0, 16.0]  # C2, 2 K warmer than C0
    assert other.events["of"].to_list() == ["last check"]


def test_few_members_show_no_colony(tmp_path: Path) -> None:
    few = _read(tmp_path, units=UNITS.head(4))
    assert "at least 5 members" in few.why_not
    assert few.temperature.is_empty() and few.events.is_empty()


def test_without_loggers_it_says_so(tmp_path: Path) -> None:
    units = UNITS.with_columns(sensor_days=pl.lit(0, UNITS.schema["sensor_days"]))
    with Store.open(tmp_path / "store.duckdb") as store:
        put_derived(store, "sensor_days", [])
        assert "No analysed colony-winter" in read_one_winter(store, units, 5).why_not


def test_the_figure_has_a_panel_for_visits_and_each_quantity(found: OneWinter) -> None:
    figure = colony_figure(found)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == ["Visits", "Temperature [°C]", "Humidity [%]", "Weight [kg]"]
    inside = figure.axes[1].lines[0]
    assert list(inside.get_xdata()) == [38.5, 45.5]
    assert list(inside.get_ydata()) == [14.0, 18.0]
    assert [t.get_text() for t in figure.axes[0].get_yticklabels()] == [
        "fed",
        "weighed",
        "last check",
    ]


def test_a_line_is_broken_where_weeks_are_missing(found: OneWinter) -> None:
    gap = found.temperature.with_columns(
        week=pl.when(pl.col("week") == 6).then(8).otherwise("week").cast(pl.Int64)
    )
    drawn = colony_figure(replace(found, temperature=gap)).axes[1].lines[0].get_ydata()
    assert [str(value) for value in drawn] == ["14.0", "nan", "nan", "18.0"]


def test_alt_text_table_and_marks_have_the_numbers(found: OneWinter) -> None:
    said = colony_alt(found)
    assert "above cluster 14.0 to 18.0, outside −3.0" in said
    assert "weighed 31.0 to 44.0" in said
    assert "fed in the week of 6 Oct;" in said
    table = week_table(found)
    assert table["week"].to_list() == [week_name(5), week_name(6), week_name(31)]
    assert table["temperature: above cluster"].to_list() == ["14.0", "18.0", "–"]
    assert table["visits"].to_list() == ["fed 3.0 kg", "", "last check"]
    marks = colony_marks(colony_figure(found), found)
    assert marks[0].words == (
        "Week of 6 Oct: above cluster 14.0, outside −3.0 °C; above cluster 60 %; "
        "weighed 44.0 kg; fed 3.0 kg"
    )
    assert marks[0].x == (35.0, 42.0)


def test_the_page_names_neither_colony_nor_year(
    pool: Pool, capsys: pytest.CaptureFixture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    say_colony(pool)
    page = capsys.readouterr().out
    assert "Of 6 colony-winters with loggers, kept by 6 members" in page
    assert "{#fig-colony}" in page and "{#tbl-colony}" in page
    assert "C4" not in page and "M4" not in page and "A4" not in page
    assert "2024" not in page and "2025" not in page
    say_colony(replace(pool, one_winter=OneWinter("None here.")))
    assert "None here." in capsys.readouterr().out
