"""Standardisation over the pool (g-computation): what if every colony had stood at a level?

Each posterior draw gives every analysed colony-winter its expected outcome under each level,
its own cold, mites, strength, yard and keeper unchanged; the average over the pool is compared
between levels. Raw coefficients are never reported. Differences are written so that a positive
number is a benefit: kilograms saved, points of survival gained, frames gained.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.special import expit

from models.data import Pool
from models.predictor import (
    Layout,
    Terms,
    base_terms,
    exposure_terms,
    layout_of,
    linear_predictor,
)
from models.priors import SPREAD_LOG_SD, SPREAD_MEDIAN, Priors
from models.side_by_side import side_by_side
from models.vocabulary import STORES, STRENGTH, SURVIVAL

THESE, NEW = HORIZONS = ("these winters", "a new winter")
ALL = "all"
THIRDS = ("cold: mild third", "cold: middle third", "cold: hard third")
SURVIVORS = "spring strength among survivors"
DRAWS_AT_ONCE = 200  # keeps a pool of 10,000 units below 1 GiB


@dataclass(frozen=True, slots=True)
class Setting:
    """A what-if: a level for all, and the top opening as each has it (None) or for all."""

    level: str
    opening: float | None = None


NONE_CLOSED, NONE_OPEN = Setting("none", 0.0), Setting("none", 1.0)
FULL_CLOSED = Setting("full", 0.0)


@dataclass(frozen=True, slots=True)
class PoolMeans:
    """Expected outcomes averaged over the pool.

    Attributes
    ----------
    values : dict of (outcome, Setting, horizon) to numpy.ndarray, shape (draw, subgroup)
        Stores [kg], survival [chance], spring strength [frames, dead is 0], and
        ``spring strength among survivors`` [frames].
    subgroups : tuple of str
    """

    values: dict[tuple[str, Setting, str], np.ndarray]
    subgroups: tuple[str, ...]

    def of(self, outcome: str, setting: Setting, horizon: str, subgroup: str) -> np.ndarray:
        """Return the draws of one mean."""
        return self.values[outcome, setting, horizon][:, self.subgroups.index(subgroup)]


def flat_draws(values: xr.DataArray) -> np.ndarray:
    """Return draws as an array, shape (draw, ...), chain after chain."""
    rest = [d for d in values.dims if d not in ("chain", "draw")]
    array = values.transpose("chain", "draw", *rest).values
    return array.reshape(-1, *array.shape[2:])


def posterior_effects(posterior: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    """Gather the predictor's effects and latent values from a posterior.

    Returns
    -------
    effects : numpy.ndarray, shape (draw, outcome, effect)
    latent : numpy.ndarray, shape (draw, latent)
    """
    blocks = ("coefficient", "group_effect", "winter_effect")
    effects = [flat_draws(posterior[name]) for name in blocks if name in posterior]
    latent = []
    if "covariate_z" in posterior:
        latent.append(flat_draws(posterior["covariate_z"]))
    if "mite_load" in posterior:
        load = flat_draws(posterior["mite_load"])
        latent.append(load - load.mean(axis=1, keepdims=True))
    if not latent:
        latent = [np.zeros((len(effects[0]), 1))]
    return np.concatenate(effects, axis=2), np.concatenate(latent, axis=1)


def new_winter_effects(
    pool: Pool,
    layout: Layout,
    posterior: xr.Dataset,
    priors: Priors,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Replace what belongs to these winters by one unseen winter a draw.

    Returns
    -------
    effects : numpy.ndarray, shape (draw, outcome, effect)
        As ``posterior_effects``, the effects of winters taken out and those of apiary-winters
        drawn anew, one an apiary.
    shift : numpy.ndarray, shape (draw, outcome, level)
        What the new winter adds for everybody, and for each level.

    Notes
    -----
    The intercept holds the mean of the W winters seen, so a new winter's deviation from it has
    variance (1 + 1/W) times a winter's. With one winter the level's own effect holds that
    winter's deviation, and the spread of level by winter is the prior's.
    """
    effects = posterior_effects(posterior)[0].copy()
    n_draws, n_outcomes = effects.shape[:2]
    chosen = [priors.outcomes[outcome] for outcome in pool.outcomes]
    effects[..., layout.winter_start :] = 0.0
    winter_sd = np.array([c.winter_sd for c in chosen]) * np.sqrt(1.0 + 1.0 / len(pool.winters))
    shift = np.zeros((n_draws, n_outcomes, len(pool.levels)))
    shift += (winter_sd * rng.normal(size=(n_draws, n_outcomes)))[..., None]
    if layout.has("level-winter"):
        sd = flat_draws(posterior["spread"].sel(grouping="level-winter"))
        effects[..., layout.groups("level-winter")] = 0.0
    else:
        scale = SPREAD_MEDIAN * np.array([c.level_winter_sd for c in chosen])
        sd = np.sqrt(2.0) * scale * np.exp(SPREAD_LOG_SD * rng.normal(size=(n_draws, n_outcomes)))
    shape = (n_draws, n_outcomes, len(pool.levels) - 1)
    shift[..., 1:] += sd[..., None] * rng.normal(size=shape)
    if layout.has("apiary-winter"):
        sd = flat_draws(posterior["spread"].sel(grouping="apiary-winter"))
        yard = sd[..., None] * rng.normal(size=(n_draws, n_outcomes, len(pool.apiaries)))
        effects[..., layout.groups("apiary-winter")] = yard[..., pool.apiary_of_winter]
    return effects, shift


def subgroup_weights(pool: Pool) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the subgroups and the weights, shape (unit, subgroup), that average over them.

    Thirds are cut by the recorded cold of the analysed colony-winters; a unit without weather
    is in none of them. Where cold hardly varies there are no thirds.
    """
    columns, names = [np.ones(pool.n_units)], [ALL]
    known = np.isfinite(pool.cold_raw)
    if pool.has("cold") and np.ptp(pool.cold_raw[known]) > 0.5:
        cuts = np.quantile(pool.cold_raw[known], [1 / 3, 2 / 3])
        third = np.searchsorted(cuts, pool.cold_raw, side="right")
        for k, name in enumerate(THIRDS):
            members = (known & (third == k)).astype(float)
            if members.any():
                names.append(name)
                columns.append(members)
    weights = np.column_stack(columns)
    return tuple(names), weights / weights.sum(axis=0)


def expected(outcome: str, eta: np.ndarray) -> np.ndarray:
    """Return expected outcomes of predictors, shape (draw, unit)."""
    return expit(eta) if outcome == SURVIVAL else np.exp(eta)


def settings_of(pool: Pool) -> list[Setting]:
    """Every what-if that the pool's levels and openings allow."""
    made = [Setting(level) for level in pool.levels]
    if pool.has("top opening") and {"none", "full"} <= set(pool.levels):
        made += [NONE_CLOSED, NONE_OPEN, FULL_CLOSED]
    return made


def setting_terms(pool: Pool, layout: Layout, setting: Setting) -> Terms:
    """Return what a what-if adds to every unit's predictor."""
    level = np.full(pool.n_units, pool.levels.index(setting.level))
    opening = pool.opening if setting.opening is None else np.full(pool.n_units, setting.opening)
    return exposure_terms(pool, layout, level, opening)


class WhatIfs:
    """What every colony-winter would come to, under every setting and horizon, by draw.

    Parameters
    ----------
    pool : Pool
    posterior : xarray.Dataset, dims (chain, draw, ...)
    seed : int
        Of the unseen winter's draws.
    priors : Priors, optional
        Those the model was built with.
    """

    def __init__(
        self, pool: Pool, posterior: xr.Dataset, *, seed: int, priors: Priors | None = None
    ) -> None:
        layout = layout_of(pool)
        self.pool, self.settings = pool, settings_of(pool)
        self._base = {outcome: base_terms(pool, layout, outcome) for outcome in pool.outcomes}
        self._exposed = [setting_terms(pool, layout, setting) for setting in self.settings]
        these, self._latent = posterior_effects(posterior)
        rng = np.random.default_rng(seed)
        fresh, self._shift = new_winter_effects(pool, layout, posterior, priors or Priors(), rng)
        self._effects = {THESE: these, NEW: fresh}
        self.n_draws = len(these)

    def chunks(self) -> list[slice]:
        """Draws that are reckoned at once."""
        starts = range(0, self.n_draws, DRAWS_AT_ONCE)
        return [slice(start, min(start + DRAWS_AT_ONCE, self.n_draws)) for start in starts]

    def outcomes(self, horizon: str, chunk: slice) -> Iterator[tuple[str, Setting, np.ndarray]]:
        """Give outcome, setting and expected outcomes, shape (draw, unit); survival first.

        Stores use and spring strength are those of a colony that lives.
        """
        pool, unknown = self.pool, self._latent[chunk]
        for outcome in sorted(pool.outcomes, key=lambda name: name != SURVIVAL):
            o = pool.outcomes.index(outcome)
            own = self._effects[horizon][chunk, o]
            without = linear_predictor(own, unknown, self._base[outcome])
            for setting, terms in zip(self.settings, self._exposed, strict=True):
                eta = without + linear_predictor(own, unknown, terms)
                if horizon == NEW:
                    eta += self._shift[chunk, o, pool.levels.index(setting.level), None]
                yield outcome, setting, expected(outcome, eta)


def pool_means(
    pool: Pool, posterior: xr.Dataset, *, seed: int, priors: Priors | None = None
) -> PoolMeans:
    """Average expected outcomes over the pool under every setting and horizon.

    Parameters
    ----------
    pool, posterior, seed, priors
        As ``WhatIfs`` has them.

    Returns
    -------
    PoolMeans
        Draws chain after chain. Stores use is for the reference winter's days, and as if the
        colony lived to its end.
    """
    what_ifs = WhatIfs(pool, posterior, seed=seed, priors=priors)
    names, weights = subgroup_weights(pool)

    def of_chunk(place: tuple[str, slice]) -> dict[tuple[str, Setting, str], np.ndarray]:
        horizon = place[0]
        made: dict[tuple[str, Setting, str], np.ndarray] = {}
        alive: dict[Setting, np.ndarray] = {}
        for outcome, setting, expected_there in what_ifs.outcomes(*place):
            values = expected_there
            if outcome == SURVIVAL:
                alive[setting] = values
            if outcome == STRENGTH:
                if SURVIVAL not in pool.outcomes:
                    continue
                values = alive[setting] * values
                among = (values @ weights) / (alive[setting] @ weights)
                made[SURVIVORS, setting, horizon] = among
            made[outcome, setting, horizon] = values @ weights
        return made

    values: dict[tuple[str, Setting, str], np.ndarray] = {}
    for horizon in HORIZONS:
        chunks = side_by_side(of_chunk, [(horizon, chunk) for chunk in what_ifs.chunks()])
        values |= {key: np.concatenate([made[key] for made in chunks]) for key in chunks[0]}
    return PoolMeans(values, names)


def open_share_of_none(pool: Pool) -> float:
    """Share of uninsulated colony-winters with an open top: none as the pool practises it."""
    is_none = pool.level == pool.levels.index("none")
    return float(pool.opening[is_none].mean())


def sides_of(pool: Pool, contrast: str) -> tuple[dict[Setting, float], Setting]:
    """Return what a contrast compares: the settings of its base with their shares, the other side.

    Parameters
    ----------
    pool : Pool
    contrast : str
        ``full closed vs none`` has a base of two settings: none as the pool practises it.
    """
    if contrast == "full closed vs none":
        share = open_share_of_none(pool)
        return {NONE_CLOSED: 1.0 - share, NONE_OPEN: share}, FULL_CLOSED
    return {Setting("none"): 1.0}, Setting(contrast.removesuffix(" vs none"))


def contrast_draws(
    pool: Pool, means: PoolMeans, outcome: str, contrast: str, horizon: str, subgroup: str
) -> dict[str, np.ndarray]:
    """Draws of a contrast, a measure at a time; positive (or above 1) is a benefit.

    Parameters
    ----------
    pool : Pool
    means : PoolMeans
    outcome, contrast, horizon, subgroup : str

    Returns
    -------
    dict of str to numpy.ndarray, shape (draw,)
        ``difference`` and, for stores use, ``percent``; for survival, ``ratio``.
    """

    def mean(setting: Setting) -> np.ndarray:
        return means.of(outcome, setting, horizon, subgroup)

    base_settings, other_setting = sides_of(pool, contrast)
    base = np.sum([share * mean(setting) for setting, share in base_settings.items()], axis=0)
    other = mean(other_setting)
    if outcome == STORES:
        return {"difference": base - other, "percent": 100.0 * (base - other) / base}
    if outcome == SURVIVAL:
        return {"difference": 100.0 * (other - base), "ratio": other / base}
    return {"difference": other - base}
