"""Loss rates and E-values on the page: against the modules behind them, small groups hidden."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from models.e_values import e_value
from reports.confounding import e_value_sentence, survival_ratio
from reports.context import Pool, load_pool
from reports.losses import loss_rate_sentences, loss_rate_table
from reports.tables import FEW
from tests.report_study import write_study


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    return load_pool(write_study(tmp_path_factory.mktemp("losses") / "study", members=12))


def test_rates_are_counted_by_level_of_all_and_by_winter(pool: Pool) -> None:
    table = loss_rate_table(pool)
    groups = ["none", "top", "partial", "full", "all", "winter 2023/24", "winter 2024/25"]
    assert table["group"].to_list() == groups
    known = pool.units.filter(pl.col("is_alive").is_not_null())
    lost = known.filter(~pl.col("is_alive")).height
    every = table.row(by_predicate=pl.col("group") == "all", named=True)
    assert (every["colonies"], every["lost"]) == (str(known.height), str(lost))
    assert every["overall"].startswith(f"{100 * lost / known.height:.1f} (")
    each = table.filter(pl.col("group").is_in(groups[:4]))["lost"].cast(pl.Int64)
    assert each.sum() == lost


def test_groups_of_few_members_are_a_word_and_so_is_the_one_that_would_follow(pool: Pool) -> None:
    is_seldom = pl.col("member_id").is_in(["M00", "M01", "M02"])
    few = pool.colony_winters.filter((pl.col("winter") == 2023) | is_seldom)
    table = loss_rate_table(replace(pool, colony_winters=few))
    assert table.filter(pl.col("group").str.starts_with("winter"))["lost"].to_list() == [FEW, FEW]
    assert table.filter(pl.col("group") == "all")["lost"].item() != FEW


def test_what_the_rates_leave_out_is_said(pool: Pool) -> None:
    said = " ".join(loss_rate_sentences(pool))
    assert "van der Zee" in said and "no effects of insulation" in said
    n_left = pool.units["is_alive"].null_count()
    disasters = pool.units["is_disaster"].sum()
    struck = pool.units.filter("is_disaster")["member_id"].n_unique()
    every = replace(pool.settings.report, minimum_cell=struck)
    told = replace(pool, settings=replace(pool.settings, report=every))
    assert f"{n_left - disasters} colony-winters of unknown fate and {disasters} loss" in " ".join(
        loss_rate_sentences(told)
    )
    more = replace(pool.settings.report, minimum_cell=struck + 1)
    told = replace(pool, settings=replace(pool.settings, report=more))
    assert f"{n_left} colony-winters of unknown fate or lost to disaster" in " ".join(
        loss_rate_sentences(told)
    )
    nothing = replace(pool, colony_winters=pool.colony_winters.clear())
    assert loss_rate_sentences(nothing) == [
        "No colony-winter was analysed, so there is no loss rate."
    ]
    assert loss_rate_table(nothing).is_empty()


def test_the_e_value_names_its_ratio(pool: Pool) -> None:
    row = survival_ratio(pool)
    assert row is not None and row["contrast"] == "full vs none"
    said = e_value_sentence(pool)
    assert f"{e_value(row['mean']):.2f} times as common" in said
    assert "the ratio of *surviving* is" in said
    # the modelled means of the made-up results: 76 % alive at none, 85 % at full
    assert f"*lost*, 0.62 by the two modelled means, the E-value is {e_value(15 / 24):.2f}" in said


def test_an_interval_that_holds_one_needs_no_hidden_cause(pool: Pool) -> None:
    is_ratio = pl.col("measure") == "ratio"
    wide = pool.estimands.with_columns(
        pl.when(is_ratio).then(0.97).otherwise(pl.col("q2.5")).alias("q2.5")
    )
    unsure = replace(pool, estimands=wide)
    assert "its E-value is 1" in e_value_sentence(unsure)


def test_without_an_estimate_there_is_nothing_to_explain(pool: Pool) -> None:
    none = replace(pool, estimands=pool.estimands.with_columns(status=pl.lit("not converged")))
    assert e_value_sentence(none) == ""
