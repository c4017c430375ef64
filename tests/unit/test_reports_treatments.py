"""The table of treatments' effects: by type, few members hidden, no ranking."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from models.conditions import SCHEMA
from reports.context import Pool, load_pool
from reports.treatments import say_treatment_effects, timing_sentence, treatment_effects_table
from tests.report_study import write_study


def _row(contrast: str, mean: float) -> dict:
    given = {"condition": "treatment", "outcome": "mite load", "contrast": contrast, "value": 41.0}
    return given | {"unit": "%", "mean": mean, "q2.5": mean - 12, "q97.5": mean + 12}


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    made = load_pool(write_study(tmp_path_factory.mktemp("treated") / "study", members=16))
    number = pl.col("member_id").str.slice(1).cast(pl.Int64)
    ingredient = (
        pl.when(number >= 13).then(pl.lit("flumethrin"))  # few members
        .when(number % 2 == 0).then(pl.lit("thymol"))
        .otherwise(pl.lit("formic acid"))
    )  # fmt: skip
    units = made.colony_winters.with_columns(
        treatment_ingredient=pl.when("was_treated").then(ingredient)
    )
    rows = [
        _row("any treatment", -55.0),
        _row("formic acid", -60.0),
        _row("thymol", -50.0),
        _row("other", -40.0),
        _row("30 days earlier", 20.0),
    ]
    return replace(made, colony_winters=units, conditions=pl.DataFrame(rows, SCHEMA))


def test_each_type_has_its_line_and_those_of_few_members_none(pool):
    table = {row["treatment"]: row for row in treatment_effects_table(pool).to_dicts()}
    assert list(table) == ["any treatment", "formic acid", "thymol", "other"]
    assert table["thymol"]["change"] == "−50 (−62 to −38)"
    treated = pool.units.filter(pl.col("was_treated"))
    assert table["any treatment"]["n_units"] == treated.height
    assert table["other"]["change"] is None  # flumethrin stands in other: two members treated
    assert table["formic acid"]["change"] is None  # else other would follow from the total
    shown = [row for row in table.values() if not row["is_hidden"]]
    assert all(row["n_members"] >= pool.minimum_cell for row in shown)


def test_the_text_says_that_it_is_no_ranking_and_whom_to_ask(pool, capsys):
    say_treatment_effects(pool)
    told = capsys.readouterr().out
    assert "no ranking of products" in told
    assert "label" in told and "apiary inspector or a veterinarian" in told
    assert "tbl-treatment-effects" in told
    assert "41 days" in told and "+20 % (95 % interval +8 to +32)" in told


def test_without_a_fit_nothing_is_said(pool, capsys):
    none = replace(pool, conditions=pool.conditions.clear())
    say_treatment_effects(none)
    assert capsys.readouterr().out == ""
    assert timing_sentence(none) == ""
