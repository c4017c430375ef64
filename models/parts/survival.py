"""Survival: alive with a laying queen in spring; losses to disaster are not in it."""

from __future__ import annotations

import pymc as pm
import pytensor.tensor as pt

from models.data import Pool
from models.vocabulary import SURVIVAL


def add_survival(pool: Pool, eta: pt.TensorVariable) -> None:
    """Add the survival likelihood to the open model; ``eta`` [logit], shape (survival_unit,)."""
    pm.Bernoulli(
        "is_alive",
        logit_p=eta,
        observed=pm.Data("alive_recorded", pool.observed[SURVIVAL].value.astype(int)),
        dims="survival_unit",
    )
