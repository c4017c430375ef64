"""The dose model: one slope per log conductance of the hive, in place of the levels.

The level says which surfaces count as insulated; the conductance says how much heat the whole
hive loses, hive body included. Where the two models disagree about full insulation against none,
the answer hangs on the threshold of the level or on the shape of the steps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import polars as pl
import xarray as xr

from models.carried import Part
from models.covariates import Covariate
from models.data import Pool
from models.refits.base import Records, Variation
from models.standardised import SIGNS, Standardised
from models.vocabulary import STRENGTH, SURVIVAL

DOSE: Final = "dose"
INSULATION: Final = "insulation"  # the covariate: less conductance is more of it
NO_CONDUCTANCE: Final = "conductance of the hive not known"


def only_known_conductance(records: Records) -> Records:
    """Leave out units whose hive's conductance is not known."""
    is_known = (pl.col("conductance_w_per_k") > 0).fill_null(False)
    return records.leaving_out(~is_known, NO_CONDUCTANCE)


def _conductance(records: Records, pool: Pool) -> np.ndarray:
    """Conductance of the pool's units [W/K], in its order."""
    names = pl.format("{} {}", "colony_id", "winter")
    found = dict(records.colony_winters.select(names, "conductance_w_per_k").iter_rows())
    return np.array([found[name] for name in pool.unit_names], dtype=float)


def _mean_by(values: np.ndarray, group: np.ndarray, n_groups: int) -> np.ndarray:
    return np.bincount(group, values, minlength=n_groups) / np.maximum(
        np.bincount(group, minlength=n_groups), 1
    )


def dose_pool(pool: Pool, records: Records) -> Pool:
    """Replace the levels of a pool by one covariate, minus the log of the conductance.

    Parameters
    ----------
    pool : Pool
        Of units whose conductance is known.
    records : Records
        The tables it was packed from.

    Returns
    -------
    Pool
        One level for all, so that no step and no interaction of the level is left; the covariate
        is exact and has the prior of a covariate's slope: from none to full is two or three of its
        standard deviations, which makes that prior about as wide as the three steps. In place of
        the shares of levels stand the mean insulation of the member, and the apiary's beyond it.
    """
    dose = -np.log(_conductance(records, pool))
    location, scale = float(dose.mean()), float(dose.std())
    z = (dose - location) / max(scale, 1e-9)
    covariate = Covariate(
        INSULATION, location, scale, z, np.zeros_like(z), np.arange(len(z)), len(z)
    )
    of_member = _mean_by(z, pool.member, len(pool.members))
    of_apiary = _mean_by(z, pool.apiary, len(pool.apiaries))
    shares = [
        np.column_stack([mean, share[:, -1]])
        for mean, share in (
            (of_member - of_member[pool.member].mean(), pool.member_share),
            (of_apiary - of_member[pool.apiary_member], pool.apiary_share),
        )
    ]
    gone = "the dose model has no levels"
    parts = {
        name: Part(name, False, part.n_units, gone)
        if name in ("level by winter", "apiary-varying full")
        else part
        for name, part in pool.parts.items()
    }
    parts[DOSE] = Part(DOSE, True, len(z))
    for group, share in zip(("member", "apiary"), shares, strict=True):
        differs = bool((np.ptp(share, axis=0) > 1e-9).any())
        parts[f"{group} shares of levels"] = Part(f"{group} shares of levels", differs, len(z))
    return replace(
        pool,
        levels=("none",),
        level=np.zeros(pool.n_units, dtype=int),
        shares=(INSULATION, "open"),
        member_share=shares[0],
        apiary_share=shares[1],
        covariates=(*pool.covariates, covariate),
        parts=parts,
    )


def is_dose_pool(pool: Pool) -> bool:
    """Whether a pool has a dose in place of levels."""
    return DOSE in pool.parts


def typical_conductances(pool: Pool, records: Records, levels: tuple[str, str]) -> list[float]:
    """Median conductance of the units at each of two levels [W/K].

    Parameters
    ----------
    pool : Pool
        With levels.
    records : Records
    levels : tuple of str
        Each used by at least one unit.
    """
    conductance = _conductance(records, pool)
    return [
        float(np.median(conductance[pool.level == pool.levels.index(level)])) for level in levels
    ]


def dose_draws(
    pool: Pool, posterior: xr.Dataset, conductances: list[float]
) -> dict[str, np.ndarray]:
    """Draws of the mean difference between two conductances, every unit else as it was.

    Parameters
    ----------
    pool : Pool
        Of ``dose_pool``.
    posterior : xarray.Dataset
    conductances : list of float
        Of the insulated and of the bare hive [W/K].

    Returns
    -------
    dict of str to numpy.ndarray, shape (draw,)
        By outcome; positive is a benefit, as for the levels.
    """
    [dose] = [c for c in pool.covariates if c.name == INSULATION]

    def at(conductance: float) -> Standardised:
        z = np.full(pool.n_units, (-np.log(conductance) - dose.location) / dose.scale)
        covariates = (*pool.covariates[:-1], replace(dose, mean=z))
        return Standardised(replace(pool, covariates=covariates), posterior)

    insulated, bare = map(at, conductances)
    told = [name for name in pool.outcomes if name != STRENGTH or SURVIVAL in pool.outcomes]
    [level] = pool.levels
    return {
        outcome: SIGNS[outcome] * (insulated.mean(outcome, level) - bare.mean(outcome, level))
        for outcome in sorted(told, key=lambda name: name != SURVIVAL)
    }


def dose_variation() -> Variation:
    """The study's own analysis with a dose in place of levels."""
    return Variation(
        DOSE,
        DOSE,
        "one slope per log conductance instead of levels",
        change_records=only_known_conductance,
        change_pool=dose_pool,
    )
