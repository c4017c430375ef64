"""The pool's colony-winters under one what-if at a time, these winters: level, opening, cold.

``estimands`` does the same under every setting and horizon at once; here terms of the model may be
changed first, and few draws may do.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import xarray as xr

from models.data import Pool
from models.estimands import expected, posterior_effects
from models.predictor import Layout, Terms, base_terms, exposure_terms, layout_of, linear_predictor
from models.vocabulary import STORES, STRENGTH, SURVIVAL

COLD: Final = "cold"
FEW_DRAWS: Final = 500  # a curve is read by eye
DRAWS_AT_ONCE: Final = 500
# a benefit is positive: kilograms saved, points of survival and frames gained
SIGNS: Final = {STORES: -1.0, SURVIVAL: 100.0, STRENGTH: 1.0}


def at_cold(terms: Terms, layout: Layout, level: str, cold: float) -> Terms:
    """Give every unit the same, exactly known cold.

    Parameters
    ----------
    terms : Terms
        Of units that all stand at one level.
    layout : Layout
    level : str
    cold : float
        Standardised.
    """
    mean, sd = terms.latent_mean.copy(), terms.latent_sd.copy()
    for k in range(mean.shape[1]):
        [at] = np.flatnonzero(terms.slope[:, k]) if terms.slope[:, k].any() else [None]
        if at is None:
            continue
        name, _, of = layout.coefficients[at]
        if (name, of) == ("slope of", COLD) or name == "cold at":
            mean[:, k] = cold * (name == "slope of" or of == level)
            sd[:, k] = 0.0
    return replace(terms, latent_mean=mean, latent_sd=sd)


class Standardised:
    """Expected outcomes under any what-if, by draw.

    Parameters
    ----------
    pool : Pool
    posterior : xarray.Dataset, dims (chain, draw, ...)
    most_draws : int, optional
        Evenly spaced ones are taken where there are more.
    """

    def __init__(self, pool: Pool, posterior: xr.Dataset, most_draws: int | None = None) -> None:
        self.pool, self.layout = pool, layout_of(pool)
        if most_draws:
            n_draws = posterior.sizes["chain"] * posterior.sizes["draw"]
            posterior = posterior.isel(draw=slice(None, None, -(-n_draws // most_draws)))
        self.effects, self.latent = posterior_effects(posterior)

    def of_units(
        self,
        outcome: str,
        level: str,
        opening: float | None = None,
        cold: float | None = None,
        draws: slice = slice(None),
    ) -> np.ndarray:
        """Return every unit's expected outcome, shape (draw, unit).

        Parameters
        ----------
        outcome : str
            Spring strength counts the dead as none, and needs survival in the model.
        level : str
        opening : float, optional
            For all; as each unit has it otherwise.
        cold : float, optional
            Standardised, for all.
        draws : slice
        """
        pool = self.pool
        levels = np.full(pool.n_units, pool.levels.index(level))
        openings = pool.opening if opening is None else np.full(pool.n_units, opening)
        terms = base_terms(pool, self.layout, outcome).beside(
            exposure_terms(pool, self.layout, levels, openings)
        )
        if cold is not None:
            terms = at_cold(terms, self.layout, level, cold)
        effects = self.effects[draws, pool.outcomes.index(outcome)]
        eta = linear_predictor(effects, self.latent[draws], terms)
        values = expected(outcome, eta)
        if outcome == STRENGTH:
            values = values * self.of_units(SURVIVAL, level, opening, cold, draws)
        return values

    def mean(
        self,
        outcome: str,
        level: str,
        opening: float | None = None,
        cold: float | None = None,
    ) -> np.ndarray:
        """Return draws of the pool's mean; parameters as ``of_units``."""
        chunks = [slice(n, n + DRAWS_AT_ONCE) for n in range(0, len(self.effects), DRAWS_AT_ONCE)]
        means = [self.of_units(outcome, level, opening, cold, at).mean(axis=1) for at in chunks]
        return np.concatenate(means)
