"""One confounded pool of 320 colony-winters: converged, truth covered, raw contrast wrong.

The interval must be narrow enough for these tests to be able to fail: a model that ignored
skill would land on the raw contrast, and one that answered with its prior would be too wide.
"""

from __future__ import annotations

import polars as pl
import pytest

from models.data import OUTCOMES, STORES, STRENGTH, SURVIVAL
from tests.fit_files import FIT_FILES

CONTRASTS = ("top vs none", "partial vs none", "full vs none", "full closed vs none")


def test_the_fit_passes_every_gate(confounded):
    failed = confounded.result.gates.filter(~pl.col("passed"))
    assert confounded.result.has_converged, failed
    assert failed.is_empty()
    assert set(confounded.result.estimands.filter(subgroup="all")["status"]) == {"estimated"}


@pytest.mark.parametrize("outcome", OUTCOMES)
@pytest.mark.parametrize("contrast", ["full vs none", "full closed vs none"])
def test_the_89_percent_interval_covers_the_truth(confounded, outcome, contrast):
    row, truth = confounded.row(outcome, contrast), confounded.truth(outcome, contrast)
    assert row["q5.5"] < truth < row["q94.5"], (truth, row)


@pytest.mark.parametrize("outcome", OUTCOMES)
@pytest.mark.parametrize("contrast", CONTRASTS)
def test_no_contrast_is_far_off(confounded, outcome, contrast):
    row, truth = confounded.row(outcome, contrast), confounded.truth(outcome, contrast)
    assert abs(row["mean"] - truth) < 2.5 * row["sd"]


@pytest.mark.parametrize("outcome", [SURVIVAL, STRENGTH])
def test_the_raw_contrast_is_clearly_wrong_and_ours_is_not(confounded, outcome):
    raw, error = confounded.naive(outcome)
    truth = confounded.truth(outcome, "full vs none")
    row = confounded.row(outcome, "full vs none")
    assert abs(raw - truth) > 3 * error  # wrong far beyond chance
    assert abs(row["mean"] - truth) < 0.5 * abs(raw - truth)
    assert not row["q5.5"] < raw < row["q94.5"]


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_the_interval_is_no_wider_than_that_of_fixed_effects(confounded, outcome):
    """Least squares with an effect for every apiary is what a cautious analyst would do: it
    compares within apiaries only. Its 89 % interval is the bound, and nothing seen of ours."""
    row = confounded.row(outcome, "full vs none")
    assert row["q94.5"] - row["q5.5"] < 2 * 1.598 * confounded.within_apiaries(outcome)[1]


def test_stores_saved_are_found_with_the_right_sign(confounded):
    row = confounded.row(STORES, "full vs none")
    assert row["p_benefit"] > 0.99
    assert row["q2.5"] > 0


def test_a_new_winter_is_less_certain_than_these(confounded):
    for outcome in OUTCOMES:
        these = confounded.row(outcome, "full vs none")
        new = confounded.row(outcome, "full vs none", horizon="a new winter")
        assert new["sd"] > these["sd"]


def test_level_means_show_raw_and_adjusted_apart(confounded):
    means = confounded.result.level_means
    survival = means.filter(outcome=SURVIVAL)
    raw = dict(survival.select("level", "raw").iter_rows())
    ours = dict(survival.select("level", "mean").iter_rows())
    truth = dict(confounded.simulated.level_truth.filter(outcome=SURVIVAL).rows_by_key("level"))
    for level in ("none", "full"):
        true = truth[level][0][1] if isinstance(truth[level], list) else truth[level]
        assert abs(ours[level] - true) < abs(raw[level] - true)


def test_results_are_written_whole_and_can_be_read_back(confounded, tmp_path):
    import arviz as az

    from models.fit import write_results

    write_results(confounded.result, tmp_path)
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == sorted([*FIT_FILES, "posterior.nc"])
    tree = az.from_netcdf(tmp_path / "posterior.nc")
    kept = confounded.result.posterior["posterior"]["coefficient"].values
    assert (tree["posterior"]["coefficient"].values == kept).all()
    assert pl.read_csv(tmp_path / "estimands.csv").height == confounded.result.estimands.height
