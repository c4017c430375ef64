"""The calibration figures kept with this version say what the program claims, and no more."""

from __future__ import annotations

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy import stats

from models.calibration.results import (
    KEPT,
    REPLICATE_SCHEMA,
    summarise_ranks,
    summarise_scenarios,
)
from models.calibration.sbc import LOOKED_AT, SCALARS
from models.calibration.scenarios import ORDINARY, SCENARIOS
from models.vocabulary import OUTCOMES
from reports.calibration import GOAL, load_calibration, ranks_of

ENOUGH = 200  # associations from which that goal can be seen


@pytest.fixture(scope="module")
def kept():
    return load_calibration(KEPT)


def rows(table: pl.DataFrame) -> list[dict]:
    return table.to_dicts()


def test_every_quantity_was_ranked_and_its_verdict_follows_from_its_ranks(kept):
    names = set(kept.ranks["quantity"])
    assert {f"{o} | {term}" for o in OUTCOMES for term in LOOKED_AT} <= names
    assert {f"{o} | {c} vs none" for o in OUTCOMES for c in ("partial", "full")} <= names
    assert set(SCALARS) <= names
    for row in rows(kept.ranks):
        ranks = ranks_of(row)
        assert len(ranks) == row["n"] == kept.facts["runs"]["sbc"]["replicates"]
        assert ranks.min() >= 0 and ranks.max() <= row["ranks_of"]
        again = summarise_ranks({row["quantity"]: ranks.tolist()}, row["ranks_of"])
        assert again.row(0, named=True) == row


def test_ranks_are_uniform_as_far_as_this_many_replicates_can_tell(kept):
    """Quantities of one fit go together: allow the 99.9 % point of independent ones."""
    outside = kept.ranks.filter(~pl.col("is_inside"))
    assert outside.height <= stats.binom.ppf(0.999, kept.ranks.height, 0.05), outside
    assert kept.ranks["p_value"].min() > 0.05 / kept.ranks.height / 10
    contrasts = kept.ranks.filter(pl.col("quantity").str.contains(" vs "))
    assert contrasts["p_value"].min() > 0.005, contrasts


def test_chains_agreed_in_nearly_all_replicates(kept):
    run = kept.facts["runs"]["sbc"]
    assert run["r_hat_above_1.05"] <= 0.2 * run["replicates"]


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_coverage_is_within_the_goal(kept, outcome):
    [row] = rows(kept.scenarios.filter(scenario=ORDINARY, outcome=outcome))
    assert row["n"] - row["n_refused"] >= ENOUGH
    assert row["n"] == kept.facts["runs"][ORDINARY]["replicates"]
    for percent in (50, 89, 95):
        assert abs(row[f"coverage_{percent}"] - percent) <= GOAL, row


def test_every_summary_follows_from_its_replicates(kept):
    replicates = pl.read_csv(KEPT / "replicates.csv", schema=REPLICATE_SCHEMA)
    again = summarise_scenarios(replicates)
    assert_frame_equal(again, kept.scenarios, check_dtypes=False, abs_tol=0.0015)
    assert replicates.group_by("scenario", "outcome", "replicate").len()["len"].max() == 1


def test_no_row_stands_for_a_scenario_that_does_not_exist(kept):
    if kept.scenarios.is_empty():
        pytest.skip("no scenario is kept with this version; the report says so")
    assert set(kept.scenarios["scenario"]) <= {s.name for s in SCENARIOS}
