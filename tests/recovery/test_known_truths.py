"""Slow: no effect, strong effect, and several confounded pools, by the real sampler."""

from __future__ import annotations

import numpy as np
import pytest

from models.data import OUTCOMES, STORES, STRENGTH, SURVIVAL
from models.simulate import NO_EFFECT, STRONG_EFFECT, Scenario
from tests.recovery.pools import recover

pytestmark = pytest.mark.slow

KEYS = [(o, c) for o in OUTCOMES for c in ("top vs none", "partial vs none", "full vs none")]


def test_a_pool_without_effect_is_not_told_one():
    pool = recover(Scenario(effect=NO_EFFECT, confounding=1.0), seed=11)
    assert pool.result.has_converged
    for outcome in OUTCOMES:
        row = pool.row(outcome, "full vs none")
        assert row["q2.5"] < 0 < row["q97.5"]
        assert 0.01 < row["p_benefit"] < 0.99


def test_a_strong_effect_is_found_and_not_shrunk_away():
    pool = recover(Scenario(effect=STRONG_EFFECT), seed=12)
    assert pool.result.has_converged
    for outcome in OUTCOMES:
        row, truth = pool.row(outcome, "full vs none"), pool.truth(outcome, "full vs none")
        assert row["q2.5"] > 0
        assert row["q2.5"] < truth < row["q97.5"]


@pytest.fixture(scope="module")
def several():
    """Six confounded pools; the first 480 units each."""
    return [recover(Scenario(confounding=1.0), seed) for seed in range(21, 27)]


def test_several_confounded_pools_converge(several):
    assert all(pool.result.has_converged for pool in several)


def test_errors_over_several_pools_are_as_large_as_stated(several):
    """54 standardised errors: their root mean square is near 1, their mean near 0."""
    z = np.array(
        [
            [(p.row(*key)["mean"] - p.truth(*key)) / p.row(*key)["sd"] for key in KEYS]
            for p in several
        ]
    )
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.4
    assert np.all(np.abs(z) < 3.5)
    bias = z.reshape(len(several), len(OUTCOMES), -1).mean(axis=(0, 2))
    assert np.all(np.abs(bias) < 1.0), dict(zip(OUTCOMES, bias, strict=True))


@pytest.mark.parametrize("outcome", [SURVIVAL, STRENGTH, STORES])
def test_our_error_is_smaller_than_the_raw_contrasts(several, outcome):
    key = (outcome, "full vs none")
    ours = [p.row(*key)["mean"] - p.truth(*key) for p in several]
    raw = [p.naive(outcome)[0] - p.truth(*key) for p in several]
    assert np.sqrt(np.mean(np.square(ours))) < 0.6 * np.sqrt(np.mean(np.square(raw)))
