"""Spring strength of colonies that survived, counted with error."""

from __future__ import annotations

import pymc as pm
import pytensor.tensor as pt

from models.data import Pool
from models.priors import StrengthPriors
from models.vocabulary import STRENGTH


def add_strength(pool: Pool, priors: StrengthPriors, eta: pt.TensorVariable) -> None:
    """Add the spring count's likelihood to the open model.

    Parameters
    ----------
    pool : Pool
    priors : StrengthPriors
    eta : TensorVariable, shape (strength_unit,)
        Log median frames of bees of the counted survivors.

    Notes
    -----
    Frames are log-normal with spread ``strength_sd``; the count adds an error known by method.
    Their sum is taken as log-normal with the error's relative variance ``e²/(m² + e²)`` added:
    exact to first order, and bounded, because an unbounded one lets a member with few counts
    be explained by an expectation near zero frames (a second mode that trapped chains). A
    living colony written down as 0 frames is read as the finest unit, a quarter.
    """
    seen = pool.observed[STRENGTH]
    error = pm.Data("frames_error", seen.error_sd)
    sd = pm.HalfNormal("strength_sd", priors.sd_sd)
    pm.LogNormal(
        "spring_frames",
        mu=eta,
        sigma=pt.sqrt(sd**2 + pt.log1p(error**2 / (pt.exp(2.0 * eta) + error**2))),
        observed=pm.Data("frames_recorded", seen.value),
        dims="strength_unit",
    )
