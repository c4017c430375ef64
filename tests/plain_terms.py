"""Terms of the linear predictor for textbook models: fixed effects and groups, nothing latent."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.design import design_of, sampled_predictor
from models.predictor import Terms


def plain_terms(fixed: np.ndarray, pick: np.ndarray, weight: np.ndarray) -> Terms:
    """Terms of a model without uncertain covariates, from its design and its groups."""
    n_units, n_coefficients = fixed.shape
    nothing = np.zeros((n_units, 0))
    return Terms(
        fixed=fixed,
        pick=pick,
        weight=weight,
        slope=np.zeros((n_coefficients, 0)),
        latent_mean=nothing,
        latent_sd=nothing,
        latent_place=nothing.astype(int),
    )


def predictor_of(effects: Any, terms: Terms) -> Any:
    """The predictor of one outcome's symbolic effects, shape (unit,)."""
    return sampled_predictor(effects[None], None, design_of({"outcome": terms}))[0]
