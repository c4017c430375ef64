"""What the report shows of causes of loss: few members stay hidden, nothing is called an effect."""

from __future__ import annotations

import polars as pl
import pytest

from models.causes import DISASTER, LEFT_OUT, LOST, THROUGH
from pipeline.settings import ReportSettings, Settings
from reports.figures_causes import (
    causes_alt,
    causes_columns,
    causes_figure,
    causes_sentences,
    causes_table,
    fold_few,
    has_causes,
)
from reports.tables import FEW

SETTINGS = Settings(report=ReportSettings(minimum_cell=5))


def times(**fates: tuple) -> pl.DataFrame:
    """Per name: (level, fate, cause, members); each member has one such colony."""
    rows = [
        {
            "colony_id": f"{name} {m}",
            "winter": 2023,
            "member_id": f"M{m}",
            "level": level,
            "fate": fate,
            "cause": cause,
            "day": None if fate == LEFT_OUT else 227 if fate == THROUGH else 100 + m,
            "is_dated": not name.startswith("undated"),
        }
        for name, (level, fate, cause, members) in fates.items()
        for m in range(members)
    ]
    return pl.DataFrame(rows, infer_schema_length=None, schema_overrides={"cause": pl.String})


@pytest.fixture
def pool() -> pl.DataFrame:
    return times(
        a=("none", THROUGH, None, 12),
        b=("none", LOST, "mites", 9),
        c=("none", LOST, "unknown", 6),
        d=("none", LOST, "starvation", 2),
        e=("full", THROUGH, None, 12),
        f=("full", LOST, "mites", 3),
        g=("full", LOST, "unknown", 8),
        undated=("full", LOST, "unknown", 1),
        h=("full", DISASTER, None, 2),
        i=("none", LEFT_OUT, None, 3),
        j=("top", LOST, "mites", 4),
    )


def test_causes_of_few_members_in_the_whole_pool_are_put_together(pool):
    folded = fold_few(pool, 5)
    assert "starvation" not in folded["cause"].to_list()
    assert (folded["cause"] == "other").sum() == 2


def test_cells_of_few_members_are_hidden_and_cannot_be_had_from_the_total(pool):
    rows = {row["cause"]: row for row in causes_table(pool, SETTINGS).to_dicts()}
    assert rows["all causes"]["n full"] == "12"
    assert rows["mites"]["n full"] == FEW  # three members
    assert rows["unknown"]["n full"] == FEW  # else three would follow from the total
    assert rows["mites"]["n none"] == "9"
    assert rows["other"]["n none"] == FEW and rows["unknown"]["n none"] == FEW
    assert rows["all causes"]["n none"] == "17"
    assert {row["n top"] for row in rows.values()} == {FEW}  # four members in all


def test_the_table_gives_shares_of_those_with_a_known_fate(pool):
    rows = {row["cause"]: row for row in causes_table(pool, SETTINGS).to_dicts()}
    share = rows["all causes"]["share none"]
    assert share.startswith("58.6 (")  # 17 of 29
    assert " to " in share


def test_columns_of_the_table_are_grouped_by_level(pool):
    table = causes_table(pool, SETTINGS)
    columns = causes_columns(table)
    assert list(columns) == table.columns
    assert columns["n none"].group == columns["share none"].group == "none"


def test_the_figure_draws_only_what_may_be_shown(pool):
    figure = causes_figure(pool, SETTINGS)
    drawn = {
        axes.get_title(loc="left"): [line.get_label() for line in axes.lines]
        for axes in figure.axes
    }
    assert drawn == {"mites": ["none"], "all causes but disaster": ["none", "full"]}
    styles = {str(line._unscaled_dash_pattern) for line in figure.axes[-1].lines}
    assert len(styles) == 2  # told apart without colour
    alt = causes_alt(pool, SETTINGS)
    assert "mites: none 31.0 %" in alt and "full" not in alt.split(";")[0]


def test_the_sentences_say_opinion_lag_disaster_and_what_is_left_out(pool):
    said = causes_sentences(pool, SETTINGS)
    assert said[0].startswith("33 colony-winters were lost; for 15 of them")
    assert "member's opinion" in said[0] and "no effects" in said[0]
    assert said[1].startswith("A few colonies lost to disaster")
    assert said[2].startswith("1 loss without a day")
    assert said[3].startswith("3 colony-winters of unknown fate")


def test_a_pool_without_losses_says_so(pool):
    alive = pool.filter(pl.col("fate") == THROUGH)
    assert causes_table(alive, SETTINGS).is_empty()
    assert not has_causes(alive, SETTINGS)
    assert causes_sentences(alive, SETTINGS)[0].startswith("No loss is recorded")
