"""Stores use: what the ledger says a colony ate between two weighings."""

from __future__ import annotations

import pymc as pm
import pytensor.tensor as pt

from models.data import STORES, Pool
from models.priors import StoresPriors


def add_stores(pool: Pool, priors: StoresPriors, eta: pt.TensorVariable) -> None:
    """Add the ledger's likelihood to the open model.

    Parameters
    ----------
    pool : Pool
    priors : StoresPriors
    eta : TensorVariable, shape (stores_unit,)
        Log mean use over the reference winter [log kg] of the units with a ledger.

    Notes
    -----
    The mean scales with the window's days to a power near one. The scale joins the weighing
    methods' error, which is known, with a spread between colonies in proportion to the mean.
    """
    seen = pool.observed[STORES]
    window = pm.Data("log_window", pool.log_window[seen.rows], dims="stores_unit")
    method_sd = pm.Data("stores_method_sd", seen.error_sd, dims="stores_unit")
    exponent = pm.Normal("window_exponent", priors.exponent_mu, priors.exponent_sd)
    cv = pm.HalfNormal("stores_cv", priors.cv_sd)
    mean = pt.exp(eta + exponent * window)
    pm.StudentT(
        "stores_use_kg",
        nu=priors.degrees_of_freedom,
        mu=mean,
        sigma=pt.sqrt(method_sd**2 + (cv * mean) ** 2),
        observed=seen.value,
        dims="stores_unit",
    )
