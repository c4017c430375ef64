"""Are ranks uniform? Differences of the ECDF with simultaneous bands, and a chi-square test.

References
----------
Säilynoja, Bürkner, Vehtari (2022), "Graphical test for discrete uniformity and its applications in
goodness-of-fit evaluation and multiple sample comparison", Statistics and Computing 32:32; the
bands are those of arviz-stats.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from arviz_stats.ecdf_utils import (
    compute_ecdf,
    get_pointwise_confidence_band,
    simulate_confidence_bands,
)
from scipy import stats

SIMULATIONS = 2000
BINS = 10
SEED = 20220


@dataclass(frozen=True, slots=True)
class Uniformity:
    """How far ranks are from uniform.

    Attributes
    ----------
    at : numpy.ndarray, shape (point,)
        Where the ECDF is compared, between 0 and 1.
    difference, lower, upper : numpy.ndarray, shape (point,)
        ECDF less the uniform one, and the simultaneous band around zero.
    p_value : float
        Chi-square test over ten bins of ranks.
    """

    at: np.ndarray
    difference: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    p_value: float

    @property
    def is_inside(self) -> bool:
        """Whether the whole curve stays within the band."""
        hair = 1e-9  # the band's edge belongs to it, whatever rounding does
        above = self.difference >= self.lower - hair
        inside = above & (self.difference <= self.upper + hair)
        return bool(inside.all())

    @property
    def largest(self) -> float:
        """The largest difference, with its sign."""
        return float(self.difference[np.abs(self.difference).argmax()])


@lru_cache(maxsize=8)
def _band(n: int, prob: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where a uniform sample of n is looked at, and the band its ECDF stays in."""
    at = np.arange(1, n) / n
    rng = np.random.default_rng(SEED)
    pointwise = simulate_confidence_bands(n, 1, at, prob, SIMULATIONS, rng)
    return at, *get_pointwise_confidence_band(pointwise, n, at)


def compare_with_uniform(ranks: np.ndarray, ranks_of: int, prob: float = 0.95) -> Uniformity:
    """Compare ranks with the uniform distribution.

    Parameters
    ----------
    ranks : numpy.ndarray of int, shape (replicate,)
        0 to ``ranks_of``.
    ranks_of : int
        Draws that each truth was ranked among.
    prob : float
        Chance that a truly uniform sample stays within the band everywhere.

    Returns
    -------
    Uniformity

    Notes
    -----
    A rank is spread at random over its step of 1 / (ranks_of + 1), with a fixed seed: under
    calibration the result is exactly uniform on (0, 1).
    """
    rng = np.random.default_rng(SEED)
    spread = (np.asarray(ranks) + rng.random(len(ranks))) / (ranks_of + 1)
    at, lower, upper = _band(len(spread), prob)
    ecdf = compute_ecdf(spread, at)
    counts = np.histogram(spread, bins=BINS, range=(0.0, 1.0))[0]
    p_value = float(stats.chisquare(counts).pvalue)
    return Uniformity(at, ecdf - at, lower - at, upper - at, p_value)
