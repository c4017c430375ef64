"""Slow: ranks of prior truths and coverage of fixed ones, by the real sampler, 20 each.

The release figure has more replicates (``models/calibration/results``); the thresholds here are
wide enough for 20: a fault that halves an interval or shifts it by its own width is caught.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.calibration.replicates import read_replicates, run_replicates
from models.calibration.results import jobs_of, summarise
from models.calibration.sbc import draw_from_prior, quantities
from models.calibration.scenarios import ORDINARY
from pipeline.progress import SILENT

N = 20


def test_one_seed_draws_one_truth_and_its_records_whatever_came_before():
    first, _, again = draw_from_prior(3), draw_from_prior(4), draw_from_prior(3)
    for name, values in quantities(first.pool, first.truth).items():
        assert np.array_equal(values, quantities(again.pool, again.truth)[name]), name
    assert np.array_equal(first.pool.mite_counts.mites, again.pool.mite_counts.mites)


def test_only_living_colonies_are_counted_in_spring():
    pool = draw_from_prior(0).pool
    survival = pool.observed["survival"]
    alive = set(survival.rows[survival.value == 1.0].tolist())
    assert set(pool.observed["spring strength"].rows.tolist()) <= alive
    assert 0 < len(alive) < pool.n_units


def test_prior_records_are_of_a_plausible_size():
    pools = [draw_from_prior(k).pool for k in range(40)]
    medians = {
        name: [np.median(pool.observed[name].value) for pool in pools]
        for name in ("stores use", "spring strength")
    }
    survival = np.mean([pool.observed["survival"].value.mean() for pool in pools])
    assert 6 < np.median(medians["stores use"]) < 25
    assert 3 < np.median(medians["spring strength"]) < 12
    assert 0.6 < survival < 0.9


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("calibration")
    for kind in ("sbc", "coverage"):
        run_replicates(jobs_of(kind, out, N), SILENT, workers=2)
    summarise(out)
    return out


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_prior_truths_rank_uniformly(finished):
    table = pl.read_csv(finished / "sbc.csv")
    outside = table.filter(~pl.col("is_inside"))
    # quantities of one fit go together: allow the 99.9 % point of independent ones
    allowed = int(stats.binom.ppf(0.999, table.height, 0.05))
    assert outside.height <= allowed, outside
    contrasts = table.filter(pl.col("quantity").str.contains(" vs "))
    assert contrasts["p_value"].min() > 0.001, contrasts


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_chains_agree_in_nearly_all_replicates(finished):
    r_hat = [made["r_hat"] for made in read_replicates(finished / "sbc")]
    assert np.mean(np.array(r_hat) > 1.05) <= 0.25, r_hat


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_intervals_hold_the_truth_of_associations_that_live_by_other_rules(finished):
    table = pl.read_csv(finished / "scenarios.csv").filter(scenario=ORDINARY)
    for row in table.to_dicts():
        n = row["n"] - row["n_refused"]
        for percent in (50, 89, 95):
            low, high = stats.binom.ppf([0.0005, 0.9995], n, percent / 100)
            held = row[f"coverage_{percent}"] * n / 100
            assert low <= held <= high, row
