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
        Log mean frames of bees of the counted survivors.

    Notes
    -----
    Frames are gamma-distributed about their mean: what a level does to the mean is then estimated
    well even where colonies at one level differ more than at another (with a log-normal and one
    spread for all levels it was not: insulated colonies differ more, and the gain in frames came
    out too small). Colonies differ by ``strength_cv`` of the mean; the count adds its method's
    error, a share of the count; their squares add. The error must be a share: as frames, it is
    larger where a count came out high by chance, and all means come out low. A living colony
    written down as 0 frames is read as the finest unit, a quarter.

    References
    ----------
    McCullagh and Nelder (1989), "Generalized Linear Models", 2nd ed., chapter 8: with a gamma's
    score, means are estimated consistently whatever the variance (from memory).
    """
    seen = pool.observed[STRENGTH]
    cv = pm.HalfNormal("strength_cv", priors.cv_sd)
    shape = 1.0 / (cv**2 + pm.Data("frames_error", seen.error) ** 2)
    pm.Gamma(
        "spring_frames",
        alpha=shape,
        beta=shape * pt.exp(-eta),
        observed=pm.Data("frames_recorded", seen.value),
        dims="strength_unit",
    )
