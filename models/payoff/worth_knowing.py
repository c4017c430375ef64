"""What it is worth to know better before choosing a level.

The choice is between none and the levels whose net benefit is known; it is made once for the
colonies concerned and judged by the expected net benefit a colony-winter.

*Perfect information* is worth the mean of the best level's net benefit, each draw choosing its
own, less that of the level that is best on average (Raiffa and Schlaifer 1961, *Applied
Statistical Decision Theory*). Of effects or prices alone: the others are averaged out first,
which is exact because they are independent and enter as products.

*One more winter of n colonies* is judged before it is seen (preposterior analysis). Its estimate
of the levels' net benefits is taken as normal about the truth with covariance

    V = Σ · N / n + T

Σ is the posterior covariance that N colony-winters have left, so that N / n scales precision by
the colony: another winter is recorded as these were, by the same kind of members in the same
mixture of levels. T is what the effect differs by from one winter to the next, the covariance for
a new winter less that for these (negative directions set to 0): colonies of one winter share it,
so that no number of them makes one winter tell everything. The means after such a winter vary
with covariance Σ (Σ + V)⁻¹ Σ, and the posterior's own draws, shrunk towards their mean to that
covariance, stand for them: the Gaussian approximation of Jalal and Alarid-Escudero (2018),
Medical Decision Making 38(2):174-188, doi:10.1177/0272989X17715627. The priors' share of Σ counts
as if records had told it, so the value is a little off where records are few.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

COLONIES: Final = (25, 50, 100, 200, 400, 800)
ROUNDING: Final = 1e-9  # sums in another order differ by less
PERFECT: Final = "perfect knowledge"
ONE_MORE: Final = "one more winter"
SCHEMA: Final = {
    "knowledge": pl.String,
    "of": pl.String,
    "colonies": pl.Int64,  # of one more winter; empty for perfect knowledge
    "value": pl.Float64,  # currency a colony-winter
    "best": pl.String,  # level chosen with what is known now
}


def best_mean(nets: np.ndarray) -> float:
    """Mean net benefit of the level, or none, that is best on average.

    Parameters
    ----------
    nets : numpy.ndarray, shape (draw, level)
        Against none, whose own is 0.
    """
    return max(0.0, float(nets.mean(axis=0).max()))


def value_of_perfect(nets: np.ndarray) -> float:
    """Expected value of knowing every draw's net benefits before choosing.

    Parameters
    ----------
    nets : numpy.ndarray, shape (draw, level)

    Examples
    --------
    >>> value_of_perfect(np.array([[10.0], [-10.0]]))  # a toss: half the time 10 is gained
    5.0
    """
    chosen, best = float(np.maximum(nets.max(axis=1), 0.0).mean()), best_mean(nets)
    return chosen - best if chosen - best > ROUNDING * max(1.0, best) else 0.0


def _powers(matrix: np.ndarray, power: float) -> np.ndarray:
    """Power of a symmetric matrix; directions without spread stay without."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2.0)
    kept = values > 1e-12 * max(values.max(), 0.0)
    raised = np.where(kept, np.where(kept, values, 1.0) ** power, 0.0)
    return np.asarray((vectors * raised) @ vectors.T)


def between_winters(these: np.ndarray, new: np.ndarray) -> np.ndarray:
    """Covariance of the net benefits from winter to winter, shape (level, level).

    Parameters
    ----------
    these, new : numpy.ndarray, shape (draw, level)
        For these winters, and for a winter not yet seen.
    """
    excess = np.atleast_2d(np.cov(new, rowvar=False)) - np.atleast_2d(np.cov(these, rowvar=False))
    return _powers(excess, 1.0)


def means_after(
    nets: np.ndarray, n_seen: int, n_more: int, winters: np.ndarray | float = 0.0
) -> np.ndarray:
    """Draw the means of the net benefits as they will be after another winter.

    Parameters
    ----------
    nets : numpy.ndarray, shape (draw, level)
        What is known now.
    n_seen, n_more : int
        Colony-winters behind it, and colonies of the winter to come.
    winters : array_like, shape (level, level)
        ``between_winters``.

    Returns
    -------
    numpy.ndarray, shape (draw, level)
        Same mean, covariance Σ (Σ + V)⁻¹ Σ.
    """
    mean = nets.mean(axis=0)
    now = np.atleast_2d(np.cov(nets, rowvar=False))
    noise = now * (n_seen / n_more) + winters
    known = now @ _powers(now + noise, -1.0) @ now
    shrink = _powers(known, 0.5) @ _powers(now, -0.5)
    return np.asarray(mean + (nets - mean) @ shrink.T)


def value_of_winter(
    nets: np.ndarray, n_seen: int, n_more: int, winters: np.ndarray | float = 0.0
) -> float:
    """Expected value of one more winter of ``n_more`` colonies; parameters as ``means_after``."""
    return value_of_perfect(means_after(nets, n_seen, n_more, winters))


def knowledge_table(
    joint: np.ndarray,
    effects: np.ndarray,
    prices: np.ndarray,
    new: np.ndarray,
    levels: tuple[str, ...],
    n_seen: int,
) -> pl.DataFrame:
    """Make ``payoff_knowledge.csv``.

    Parameters
    ----------
    joint, effects, prices : numpy.ndarray, shape (draw, level)
        Net benefits with effects and prices drawn; with prices at their means; with effects at
        their means.
    new : numpy.ndarray, shape (draw, level)
        As ``effects``, for a winter not yet seen.
    levels : tuple of str
    n_seen : int
        Colony-winters analysed.
    """
    means = effects.mean(axis=0)
    best = levels[int(means.argmax())] if means.max() > 0 else "none"
    rows: list[tuple[str, str, int | None, float, str]] = [
        (PERFECT, of, None, value_of_perfect(nets), best)
        for of, nets in (
            ("effects and prices", joint),
            ("effects", effects),
            ("prices", prices),
        )
    ]
    winters = between_winters(effects, new)
    rows += [
        (ONE_MORE, "effects", n, value_of_winter(effects, n_seen, n, winters), best)
        for n in COLONIES
    ]
    return pl.DataFrame(rows, SCHEMA, orient="row")
