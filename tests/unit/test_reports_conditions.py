"""Cold and top openings on the page: the headline's curve, and openings apart from the level."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from reports.conditions import (
    cold_curve_alt,
    cold_curve_figure,
    cold_rows,
    opening_table,
    say_cold_curve,
    say_openings,
)
from reports.context import Pool, load_pool
from tests.report_study import write_study


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    return load_pool(write_study(tmp_path_factory.mktemp("conditions") / "study", members=12))


def test_the_curve_has_a_panel_an_outcome_and_its_ends_in_words(pool: Pool) -> None:
    rows = cold_rows(pool)
    assert rows.height == 27
    figure = cold_curve_figure(rows)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == [
        "Stores saved [kg]",
        "Survival gained [percentage points]",
        "Spring strength gained [frames]",
    ]
    said = cold_curve_alt(rows)
    assert "survival gained: 0.0 at 8.0 K·day per day, +6.0 at 16.0 K·day per day" in said


def test_openings_are_told_at_none_and_at_full(pool: Pool) -> None:
    table = opening_table(pool)
    assert table["outcome"].to_list() == [
        "Stores saved",
        "Survival gained",
        "Spring strength gained",
    ]
    assert table["none"][1].startswith("\u22120.8 percentage points (")


def test_without_numbers_it_says_so_and_draws_nothing(pool: Pool, capsys) -> None:
    none = replace(pool, conditions=pool.conditions.clear())
    say_cold_curve(none)
    assert capsys.readouterr().out == ""
    say_openings(none)
    assert "cannot be told apart here" in capsys.readouterr().out
    assert opening_table(none).equals(pl.DataFrame(schema=opening_table(pool).schema))
