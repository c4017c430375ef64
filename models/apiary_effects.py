"""What full insulation does in each apiary: its own records, and the model's partial pooling.

The model lets full insulation do more in one apiary than in another, by a spread that it learns.
An apiary with few colonies is drawn towards the pool, one with many keeps its own. Apiaries
are named by their place in the ranking alone, and without their size, which could tell them.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
import xarray as xr

from models.data import Pool
from models.standardised import FEW_DRAWS, SIGNS, Standardised
from models.tables import ESTIMATED, MEASURES
from models.vocabulary import STORES, STRENGTH, SURVIVAL

CONTRAST: Final = "full vs none"
PART: Final = "apiary-varying full"
QUANTILES: Final = {"q2.5": 0.025, "q25": 0.25, "q75": 0.75, "q97.5": 0.975}
SCHEMA: Final = {
    "outcome": pl.String,
    "place": pl.Int64,  # 1: most gained by the model
    "unit": pl.String,
    "raw": pl.Float64,  # the apiary's own difference of raw means; empty without both levels
    "mean": pl.Float64,
    **dict.fromkeys(QUANTILES, pl.Float64),
    "n_members": pl.Int64,  # who keep the outcome's apiaries, all together
    "n_members_raw": pl.Int64,  # who keep those with both levels
}


def gains_by_unit(pool: Pool, posterior: xr.Dataset) -> dict[str, np.ndarray]:
    """Draws of what every colony-winter would gain from full insulation, where it stands.

    Parameters
    ----------
    pool : Pool
        With units at ``none`` and at ``full``.
    posterior : xarray.Dataset, dims (chain, draw, ...)
        Thinned to at most about ``FEW_DRAWS`` draws.

    Returns
    -------
    dict of str to numpy.ndarray, shape (draw, unit)
        By outcome: kilograms saved, points of survival, frames (the dead count as none).
    """
    made = Standardised(pool, posterior, FEW_DRAWS)
    told = [name for name in pool.outcomes if name != STRENGTH or SURVIVAL in pool.outcomes]
    return {
        outcome: SIGNS[outcome] * (made.of_units(outcome, "full") - made.of_units(outcome, "none"))
        for outcome in told
    }


def _mean_at(pool: Pool, outcome: str, units: np.ndarray) -> float:
    """Raw mean of an outcome among some units; NaN where none is known."""
    seen = pool.observed[outcome]
    # stores use is compared over the days of the reference winter, as the model's is
    value = seen.value * np.exp(-pool.log_window[seen.rows]) if outcome == STORES else seen.value
    values = value[units[seen.rows]]
    if outcome == STRENGTH:  # of survivors; the dead count as none
        alive = _mean_at(pool, SURVIVAL, units)
        return alive * (float(values.mean()) if len(values) else float("nan")) if alive else 0.0
    return float(values.mean()) if len(values) else float("nan")


def raw_gain(pool: Pool, outcome: str, apiary: int) -> float:
    """Difference of an apiary's raw means, full against none; NaN without both levels."""
    here = pool.apiary == apiary
    full, none = (
        _mean_at(pool, outcome, here & (pool.level == pool.levels.index(level)))
        for level in ("full", "none")
    )
    return SIGNS[outcome] * (full - none)


def apiary_table(pool: Pool, posterior: xr.Dataset, estimands: pl.DataFrame) -> pl.DataFrame:
    """Table the effect of full insulation in every apiary, by its place in the ranking.

    Parameters
    ----------
    pool : Pool
    posterior : xarray.Dataset, dims (chain, draw, ...)
        Of a fit that passed its gates.
    estimands : polars.DataFrame
        Only outcomes whose ``full vs none`` is estimated there have rows here.

    Returns
    -------
    polars.DataFrame
        ``apiaries.csv``, one row an outcome and apiary, most gained first. ``raw`` compares the
        apiary's own colony-winters as recorded; ``mean`` and quantiles are the model's for the
        same colony-winters, each put at full and at none. Their mean, each apiary weighted by
        its colony-winters, is the pool's estimate. Empty where the model lets full insulation
        do the same everywhere.
    """
    answered = set(
        estimands.filter(
            (pl.col("status") == ESTIMATED)
            & (pl.col("contrast") == CONTRAST)
            & (pl.col("measure") == "difference")
            & (pl.col("subgroup") == "all")
        )["outcome"]
    )
    if not answered or not pool.has(PART):
        return pl.DataFrame(schema=SCHEMA)
    n_members = len(np.unique(pool.apiary_member))
    rows = []
    for outcome, gains in gains_by_unit(pool, posterior).items():
        if outcome not in answered:
            continue
        raw = np.array([raw_gain(pool, outcome, a) for a in range(len(pool.apiaries))])
        n_raw = len(np.unique(pool.apiary_member[np.isfinite(raw)]))
        own = np.stack([gains[:, pool.apiary == a].mean(axis=1) for a in range(len(raw))])
        for place, a in enumerate(np.argsort(-own.mean(axis=1), kind="stable"), start=1):
            spread = np.quantile(own[a], list(QUANTILES.values()))
            rows.append(
                {
                    "outcome": outcome,
                    "place": place,
                    "unit": MEASURES[outcome]["difference"],
                    "raw": float(raw[a]) if np.isfinite(raw[a]) else None,
                    "mean": float(own[a].mean()),
                    **dict(zip(QUANTILES, map(float, spread), strict=True)),
                    "n_members": n_members,
                    "n_members_raw": n_raw,
                }
            )
    return pl.DataFrame(rows, SCHEMA)
