"""The answer that the checks try to break: the headline contrast, a group of units at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.checks.base import Evidence
from models.data import Pool
from models.estimands import ALL, THESE, expected, open_share_of_none
from models.identify import FULL_CLOSED
from models.log_likelihood import DRAWS_AT_ONCE
from models.predictor import Terms, base_terms, exposure_terms, layout_of, linear_predictor
from models.tables import ESTIMATED, MEASURES
from models.vocabulary import STORES, STRENGTH, SURVIVAL

# the fullest contrast that could be estimated is the one the report speaks of
ORDER = ("full vs none", FULL_CLOSED, "partial vs none", "top vs none")


@dataclass(frozen=True, slots=True)
class Headline:
    """Expected outcomes of the two sides of a contrast, summed over groups of units.

    Attributes
    ----------
    contrast : str
    base, other : dict of str to numpy.ndarray, shape (draw, group)
        By outcome; sums over the units of each group.
    sizes : numpy.ndarray, shape (group,)
        Units of each group.
    """

    contrast: str
    base: dict[str, np.ndarray]
    other: dict[str, np.ndarray]
    sizes: np.ndarray

    def mean(self, outcome: str, side: str) -> np.ndarray:
        """Draws of one side's mean over all units; ``side`` is ``base`` or ``other``."""
        return getattr(self, side)[outcome].sum(axis=1) / self.sizes.sum()

    def benefit(self, outcome: str, kept: np.ndarray | None = None) -> np.ndarray:
        """Draws of the difference averaged over the units of some groups (all by default).

        Kilograms saved, percentage points of survival, frames gained: positive is a benefit.
        """
        kept = np.ones(len(self.sizes), dtype=bool) if kept is None else kept
        difference = (self.other[outcome] - self.base[outcome])[:, kept].sum(axis=1)
        return SCALE[outcome] * difference / self.sizes[kept].sum()


SCALE = {STORES: -1.0, SURVIVAL: 100.0, STRENGTH: 1.0}


def headline_rows(estimands: pl.DataFrame, measure: str = "difference") -> pl.DataFrame:
    """Rows of the headline contrast, one an outcome: all units, these winters, estimated."""
    rows = estimands.filter(
        (pl.col("subgroup") == ALL) & (pl.col("horizon") == THESE) & (pl.col("status") == ESTIMATED)
    )
    done = rows["contrast"].to_list()
    contrast = next((name for name in ORDER if name in done), "")
    return rows.filter((pl.col("contrast") == contrast) & (pl.col("measure") == measure))


def headline_levels(estimands: pl.DataFrame) -> tuple[str, str]:
    """The two levels that the headline compares, the higher one first; empty without one."""
    rows = headline_rows(estimands)
    if rows.is_empty():
        return "", ""
    contrast = rows["contrast"][0]
    return ("full" if contrast == FULL_CLOSED else contrast.removesuffix(" vs none")), "none"


def _sides(pool: Pool, contrast: str) -> list[tuple[float, str, float | None]]:
    """Weighted settings (weight, level, opening) whose sum is each side; the base is negative."""
    if contrast == FULL_CLOSED:
        share = open_share_of_none(pool)
        return [(share - 1.0, "none", 0.0), (-share, "none", 1.0), (1.0, "full", 0.0)]
    return [(-1.0, "none", None), (1.0, contrast.removesuffix(" vs none"), None)]


def _terms(pool: Pool, level: str, opening: float | None) -> Terms:
    at = np.full(pool.n_units, pool.levels.index(level))
    tops = pool.opening if opening is None else np.full(pool.n_units, opening)
    return exposure_terms(pool, layout_of(pool), at, tops)


def headline_means(evidence: Evidence, contrast: str, group: np.ndarray) -> Headline:
    """Expected outcomes under both sides of a contrast, summed over groups of units.

    Parameters
    ----------
    evidence : Evidence
    contrast : str
    group : numpy.ndarray of int, shape (unit,)

    Returns
    -------
    Headline
        Spring strength counts a dead colony as 0 frames; without survival there is none.
    """
    pool, draws = evidence.pool, evidence.draws
    layout, sizes = layout_of(pool), np.bincount(group)
    outcomes = [o for o in pool.outcomes if o != STRENGTH or SURVIVAL in pool.outcomes]
    outcomes.sort(key=lambda name: name != SURVIVAL)
    summed = np.zeros((pool.n_units, len(sizes)))
    summed[np.arange(pool.n_units), group] = 1.0
    shape = (draws.n, len(sizes))
    base = {o: np.zeros(shape) for o in outcomes}
    other = {o: np.zeros(shape) for o in outcomes}
    own = {o: base_terms(pool, layout, o) for o in outcomes}
    sides = [(w, _terms(pool, level, opening)) for w, level, opening in _sides(pool, contrast)]
    for start in range(0, draws.n, DRAWS_AT_ONCE):
        at = slice(start, start + DRAWS_AT_ONCE)
        chunk = draws.take(at)
        alive: list[np.ndarray] = []
        for outcome in outcomes:
            effects = chunk.effects[:, pool.outcomes.index(outcome)]
            without = linear_predictor(effects, chunk.latent, own[outcome])
            for k, (weight, terms) in enumerate(sides):
                eta = without + linear_predictor(effects, chunk.latent, terms)
                mean = expected(outcome, eta)
                if outcome == SURVIVAL:
                    alive.append(mean)
                elif outcome == STRENGTH:
                    mean = alive[k] * mean
                side = other if weight > 0 else base
                side[outcome][at] += abs(weight) * (mean @ summed)
    return Headline(contrast, base, other, sizes)


def unit_of(outcome: str) -> str:
    """Unit of an outcome's difference."""
    return MEASURES[outcome]["difference"]
