"""Stores use: what the ledger says a colony ate between two weighings."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models.data import Pool
from models.priors import StoresPriors
from models.vocabulary import STORES


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
    The mean scales with the window's days to a power near one, and with how much colder the
    window was than the whole winter: the windows of colonies that died end earlier. The scale
    joins the weighing methods' error, which is known, with a spread between colonies in
    proportion to the mean.
    """
    seen = pool.observed[STORES]
    exponent = pm.Normal("window_exponent", priors.exponent_mu, priors.exponent_sd)
    cv = pm.HalfNormal("stores_cv", priors.cv_sd)
    eta = eta + exponent * pm.Data("log_window", pool.log_window[seen.rows])
    if np.ptp(pool.window_cold[seen.rows]) > 0:
        slope = pm.Normal("window_cold_slope", 0.0, priors.window_cold_sd)
        eta = eta + slope * pm.Data("window_cold", pool.window_cold[seen.rows])
    mean = pt.exp(eta)
    pm.StudentT(
        "stores_use_kg",
        nu=priors.degrees_of_freedom,
        mu=mean,
        sigma=pt.sqrt(pm.Data("stores_error_kg", seen.error) ** 2 + (cv * mean) ** 2),
        observed=pm.Data("stores_recorded_kg", seen.value),
        dims="stores_unit",
    )
