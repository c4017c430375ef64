"""The rank machinery against a model whose posterior is known, and against wrong ones."""

from __future__ import annotations

import numpy as np
import pytest

from models.calibration.sbc import rank_of
from models.calibration.uniformity import compare_with_uniform

PRIOR_SD, NOISE_SD, N_OBS, RANKS_OF = 1.0, 2.0, 5, 99


def conjugate_ranks(n_replicates: int, *, shift: float = 0.0, widen: float = 1.0) -> np.ndarray:
    """Ranks for a normal mean with a normal prior; textbook posterior, then spoilt on purpose."""
    rng = np.random.default_rng(11)
    precision = 1 / PRIOR_SD**2 + N_OBS / NOISE_SD**2
    sd = precision**-0.5
    ranks = []
    for _ in range(n_replicates):
        truth = rng.normal(0.0, PRIOR_SD)
        data = rng.normal(truth, NOISE_SD, N_OBS)
        mean = data.sum() / NOISE_SD**2 / precision
        draws = rng.normal(mean + shift * sd, widen * sd, 500)
        ranks.append(rank_of(truth, draws, RANKS_OF))
    return np.array(ranks)


def test_the_exact_posterior_passes():
    found = compare_with_uniform(conjugate_ranks(300), RANKS_OF)
    assert found.is_inside
    assert found.p_value > 0.01


@pytest.mark.parametrize(
    "fault",
    [{"widen": 0.6}, {"widen": 1.7}, {"shift": 0.5}, {"shift": -0.5}],
    ids=["too sure", "too unsure", "too high", "too low"],
)
def test_a_wrong_posterior_is_caught(fault):
    found = compare_with_uniform(conjugate_ranks(300, **fault), RANKS_OF)
    assert not found.is_inside
    assert found.p_value < 0.01


def test_a_posterior_that_is_too_high_ranks_the_truth_too_low():
    found = compare_with_uniform(conjugate_ranks(300, shift=0.5), RANKS_OF)
    assert found.largest > 0.1  # too many low ranks: the ECDF runs ahead


def test_the_band_holds_as_often_as_it_says():
    rng = np.random.default_rng(3)
    inside = [
        compare_with_uniform(rng.integers(0, RANKS_OF + 1, 100), RANKS_OF).is_inside
        for _ in range(200)
    ]
    error = (0.95 * 0.05 / 200) ** 0.5
    assert abs(np.mean(inside) - 0.95) < 3.5 * error


def test_ranks_count_the_draws_below_the_truth():
    draws = np.arange(1000.0)
    assert rank_of(-1.0, draws, 99) == 0
    assert rank_of(2000.0, draws, 99) == 99
    assert rank_of(499.5, draws, 99) in (49, 50)
