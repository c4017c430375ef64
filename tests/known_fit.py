"""A pool whose records come from known values of the model, and draws around those values.

What a check says of it is known beforehand. Bees, members and figures are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import xarray as xr
from scipy import stats

from models.checks.base import Evidence
from models.data import Pool, pack_pool
from models.geometry import coefficient_priors
from models.log_likelihood import (
    count_overdispersion,
    gather_draws,
    log_mites_when_counted,
    observed_predictor,
    outcome_distribution,
)
from models.predictor import latent_covariates, layout_of
from models.priors import SPREAD_MEDIAN, Priors
from models.simulate import Scenario, simulate_pool
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from pipeline.settings import ModelSettings, Settings

SETTINGS = Settings(model=ModelSettings(minimum_colonies=1, minimum_links=1))
PRIORS = Priors()
INTERCEPT = {STORES: 2.5, SURVIVAL: 1.2, STRENGTH: 1.8}


def _values(pool: Pool, n_draws: int, rng: np.random.Generator) -> dict[str, tuple]:
    """One draw of everything, typical rather than extreme, repeated."""
    layout = layout_of(pool)
    own = [PRIORS.outcomes[o] for o in pool.outcomes]
    _, sd = coefficient_priors(pool, layout, own)
    coefficient = 0.3 * sd * rng.normal(size=sd.shape)
    coefficient[:, layout.coefficient("intercept")] = [INTERCEPT[o] for o in pool.outcomes]
    n = len(pool.outcomes)
    spread = np.array(
        [[SPREAD_MEDIAN * getattr(p, s) for p in own] for s, _ in layout.groupings.values()]
    )
    sizes = [len(names) for _, names in layout.groupings.values()]
    group = np.repeat(spread, sizes, axis=0).T * rng.normal(size=(n, sum(sizes)))
    winter = np.array([[p.winter_sd] for p in own]) * rng.normal(size=(n, len(layout.winters)))
    member = rng.normal(size=len(pool.members))
    wintry = 0.3 * rng.normal(size=len(pool.winters))
    load = 0.7 - 0.5 * (pool.treated - pool.treated.mean()) + 0.3 * member[pool.member]
    load = load + wintry[pool.winter] + 0.5 * rng.normal(size=pool.n_units)
    methods = sorted(set(pool.mite_counts.method[pool.mite_counts.method >= 0]))
    made = {
        "coefficient": (("outcome", "term"), coefficient),
        "spread": (("grouping", "outcome"), spread),
        "group_effect": (("outcome", "group"), group),
        "winter_effect": (("outcome", "winter"), winter),
        "partial_correlation": (("pair",), np.zeros(3)),
        "covariate_z": (("latent",), rng.normal(size=latent_covariates(pool)[1])),
        "mite_load": (("unit",), load),
        "mite_load_mean": ((), 0.7),
        "mite_load_sd": ((), 0.5),
        "mite_member_sd": ((), 0.3),
        "mite_member_z": (("member",), member),
        "mite_winter_effect": (("winter",), wintry),
        "treatment_effect": ((), -0.5),
        "mite_growth": ((), 0.02),
        "treatment_efficacy": ((), 1.5),
        "sensitivity": (("method",), np.linspace(0.9, 0.7, len(methods))),
        "count_overdispersion": ((), 10.0),
        "window_exponent": ((), 1.0),
        "stores_cv": ((), 0.2),
        "strength_cv": ((), 0.3),
    }
    return {
        name: (
            ("chain", "draw", *dims),
            np.broadcast_to(value, (1, n_draws, *np.shape(value))).copy(),
        )
        for name, (dims, value) in made.items()
    }


def known_fit(
    seed: int, *, n_draws: int = 200, noise: float = 0.0, scenario: Scenario | None = None
) -> Evidence:
    """Make evidence of a fit whose posterior sits on the truth behind its records.

    Parameters
    ----------
    seed : int
    n_draws : int
    noise : float
        Sd of the draws' coefficients about the truth, in prior sd; 0 repeats the truth.
    scenario : Scenario, optional
        For the design alone: levels, members, gaps.
    """
    rng = np.random.default_rng(seed)
    study = simulate_pool(scenario or Scenario(n_members=8, colonies_per_apiary=5), seed)
    pool = pack_pool(study.colony_winters, study.mite_samples, SETTINGS)
    truth = xr.Dataset(_values(pool, 1, rng))
    draws = gather_draws(truth, 1)
    observed = dict(pool.observed)
    for outcome in pool.outcomes:
        eta = observed_predictor(pool, draws, outcome)
        law = outcome_distribution(pool, draws, outcome, eta, PRIORS)
        value = law.rvs(size=eta.shape, random_state=rng)[0]
        observed[outcome] = replace(observed[outcome], value=value.astype(float))
    counts, every = pool.mite_counts, np.arange(len(pool.mite_counts.rows))
    added = log_mites_when_counted(pool, draws, every)[0]
    mean = np.exp(draws.values["mite_load"][0, counts.rows] + added)
    phi = count_overdispersion(pool, draws, every)[0]
    counts = replace(counts, mites=stats.nbinom(phi, phi / (phi + mean)).rvs(random_state=rng))
    pool = replace(pool, observed=observed, mite_counts=counts)
    posterior = xr.Dataset(
        {
            name: (value.dims, np.repeat(value.values, n_draws, axis=1))
            for name, value in truth.items()
        }
    )
    if noise:
        own = [PRIORS.outcomes[o] for o in pool.outcomes]
        sd = coefficient_priors(pool, layout_of(pool), own)[1]
        shape = posterior["coefficient"].shape
        posterior["coefficient"] = posterior["coefficient"] + noise * sd * rng.normal(size=shape)
    rows = [
        {
            "outcome": outcome,
            "contrast": "full vs none",
            "measure": "difference",
            "subgroup": "all",
            "horizon": "these winters",
            "status": "estimated",
            "mean": 1.0,
            "sd": 0.5,
        }
        for outcome in pool.outcomes
    ]
    set_ups = study.colony_winters.select("colony_id", "winter", installed_on=pl.lit(None, pl.Date))
    return Evidence(
        SETTINGS,
        pool,
        posterior,
        None,
        pl.DataFrame(rows),
        study.colony_winters,
        study.mite_samples,
        set_ups,
    )
