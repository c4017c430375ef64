"""What a level does to the average colony-winter, in kilograms, colonies and frames, by draw.

Everything is counted unit by unit within each posterior draw, before averaging, so that what goes
together stays together:

- *saved*: stores of colonies that come through at either level. A unit's chance of that is the
  lower of its two chances of survival (what a worse hive brings through, a better one does too);
  it saves the difference of what it eats. A colony that dies under either level saves nothing:
  what is left on its combs counts for nothing.
- *deaths avoided*: the difference of the chances of survival.
- *frames*: the difference of spring strength, a dead colony counting as none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
import xarray as xr

from models import estimands
from models.data import Pool
from models.estimands import (
    ALL,
    HORIZONS,
    THESE,
    WhatIfs,
    sides_of,
    subgroup_weights,
)
from models.payoff.inputs import FULL_CLOSED
from models.vocabulary import STORES, STRENGTH, SURVIVAL

SAVED, DEATHS, FRAMES = QUANTITIES = ("stores saved", "deaths avoided", "spring frames")
UNITS: Final = {SAVED: "kg", DEATHS: "colonies", FRAMES: "frames"}
OUTCOME_OF: Final = {SAVED: STORES, DEATHS: SURVIVAL, FRAMES: STRENGTH}
MOST_DRAWS: Final = 1000  # an interval's ends need no more; 4,000 took four times as long
NEEDED: Final = (
    "coefficient",
    "group_effect",
    "winter_effect",
    "covariate_z",
    "mite_load",
    "spread",
)
"""Variables of the posterior that are read."""
SCHEMA: Final = {
    "draw": pl.Int64,
    "level": pl.String,
    "subgroup": pl.String,
    "horizon": pl.String,
    **dict.fromkeys(QUANTITIES, pl.Float64),
}


@dataclass(frozen=True, slots=True)
class Gains:
    """Draws of what one level does against none, a colony-winter; each of shape (draw,).

    Attributes
    ----------
    saved_kg, deaths_avoided, frames : numpy.ndarray
        NaN where the outcome has no part in the model. Positive is a benefit.
    """

    saved_kg: np.ndarray
    deaths_avoided: np.ndarray
    frames: np.ndarray

    def of(self, quantity: str) -> np.ndarray:
        """Return the draws of one quantity."""
        return {SAVED: self.saved_kg, DEATHS: self.deaths_avoided, FRAMES: self.frames}[quantity]

    def repeated(self, times: int) -> Gains:
        """Repeat the draws, one after another, ``times`` times."""
        return Gains(*(np.tile(self.of(q), times) for q in QUANTITIES))

    def mean(self) -> Gains:
        """Return the posterior means, shape (1,)."""
        return Gains(*(np.array([self.of(q).mean()]) for q in QUANTITIES))


def thinned(posterior: xr.Dataset) -> xr.Dataset:
    """Keep at most ``MOST_DRAWS`` draws, evenly spaced, of the variables that are read."""
    names = [name for name in NEEDED if name in posterior]
    n_draws = posterior.sizes["chain"] * posterior.sizes["draw"]
    return posterior[names].isel(draw=slice(None, None, -(-n_draws // MOST_DRAWS))).load()


def gains_of_units(alive: np.ndarray, eaten_kg: np.ndarray, frames: np.ndarray) -> np.ndarray:
    """Saved stores, deaths avoided and frames of each unit, one level against none.

    Parameters
    ----------
    alive, eaten_kg, frames : numpy.ndarray, shape (2, draw, unit)
        Under none, then under the level: chance of survival; stores eaten [kg] and spring frames,
        both of a colony that lives.

    Returns
    -------
    numpy.ndarray, shape (3, draw, unit)
        Kilograms, colonies, frames a colony-winter.

    Examples
    --------
    >>> dead = gains_of_units(np.array([[[0.0]], [[1.0]]]), np.array([[[9.0]], [[5.0]]]),
    ...                       np.array([[[6.0]], [[7.0]]]))
    >>> dead.ravel().tolist()  # saved from death; not counted as saving 4 kg besides
    [0.0, 1.0, 7.0]
    """
    saved = alive.min(axis=0) * (eaten_kg[0] - eaten_kg[1])
    return np.stack([saved, alive[1] - alive[0], alive[1] * frames[1] - alive[0] * frames[0]])


def pool_gains(pool: Pool, posterior: xr.Dataset, *, seed: int) -> pl.DataFrame:
    """Average what every level above none does over the pool, and full with the top closed.

    Parameters
    ----------
    pool : Pool
        Survival must be part of the model.
    posterior : xarray.Dataset, dims (chain, draw, ...)
        As ``thinned`` leaves it.
    seed : int
        Of the unseen winter's draws.

    Returns
    -------
    polars.DataFrame
        As ``SCHEMA``: by draw, level, subgroup and horizon; thirds by cold for these winters only.
        ``full closed`` is against none as the pool practises it: with the top open as often as
        uninsulated colonies had it.
    """
    what_ifs = WhatIfs(pool, posterior, seed=seed)
    names, weights = subgroup_weights(pool)
    above = [*pool.levels[1:]]
    above += [FULL_CLOSED] if estimands.FULL_CLOSED in what_ifs.settings else []
    compared = {level: sides_of(pool, f"{level} vs none") for level in above}
    unknown = [name for name in (SURVIVAL, STORES, STRENGTH) if name not in pool.outcomes]
    frames = []
    for horizon in HORIZONS:
        made = {level: np.zeros((3, what_ifs.n_draws, len(names))) for level in above}
        for at in what_ifs.chunks():
            means = {
                (name, setting): mean for name, setting, mean in what_ifs.outcomes(horizon, at)
            }
            nothing = np.full((at.stop - at.start, pool.n_units), np.nan)
            means |= {(name, s): nothing for name in unknown for s in what_ifs.settings}
            for level, (base_settings, other) in compared.items():
                for setting, share in base_settings.items():
                    of = [
                        np.stack([means[name, setting], means[name, other]])
                        for name in (SURVIVAL, STORES, STRENGTH)
                    ]
                    made[level][:, at] += share * (gains_of_units(*of) @ weights)
        shown = names if horizon == THESE else (ALL,)
        frames += [
            _frame(level, subgroup, horizon, made[level][:, :, names.index(subgroup)])
            for level in above
            for subgroup in shown
        ]
    return pl.concat(frames) if frames else pl.DataFrame(schema=SCHEMA)


def _frame(level: str, subgroup: str, horizon: str, gains: np.ndarray) -> pl.DataFrame:
    columns = dict(zip(QUANTITIES, gains, strict=True))
    frame = pl.DataFrame({"draw": np.arange(gains.shape[1]), **columns})
    told = {"level": level, "subgroup": subgroup, "horizon": horizon}
    return frame.with_columns(pl.lit(v).alias(k) for k, v in told.items()).select(list(SCHEMA))


def gains_in(draws: pl.DataFrame, level: str, subgroup: str, horizon: str) -> Gains:
    """Take the draws of one level, subgroup and horizon."""
    rows = draws.filter(
        pl.col("level") == level, pl.col("subgroup") == subgroup, pl.col("horizon") == horizon
    )
    return Gains(*(rows[quantity].to_numpy() for quantity in QUANTITIES))
