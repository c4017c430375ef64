"""Terms of the linear predictor for textbook models: fixed effects and groups, nothing latent."""

from __future__ import annotations

import numpy as np

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
