"""Simulation-based calibration of the joint model on a small invented design.

All parameters are drawn from the prior and all records from the parts' likelihoods; the fit of
those records must then place the truth at a uniform rank among its draws, whatever the quantity.
The prior draws come from the model in its plain coordinates, the fit from the rotated ones, so
that the map between the two is checked as well.

References
----------
Talts, Betancourt, Simpson, Vehtari, Gelman (2018), "Validating Bayesian inference algorithms with
simulation-based calibration", arXiv:1804.06788 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pymc as pm
import xarray as xr
from pymc.pytensorf import reseed_rngs
from pytensor.compile.mode import Mode

from models.calibration.sampling import Budget, sample_quantities
from models.carried import Observed
from models.data import Pool, pack_pool
from models.estimands import ALL, THESE, contrast_draws, flat_draws, pool_means
from models.joint import build_joint_model
from models.simulate import Scenario, simulate_pool
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from pipeline.settings import ModelSettings, Settings

DESIGN_SEED = 4
DESIGN = Scenario(n_members=8, apiaries_per_member=2, colonies_per_apiary=2, n_winters=2)
CONTRASTS = ("partial vs none", "full vs none")
LOOKED_AT = (
    "intercept",
    "step to top",
    "step to partial",
    "step to full",
    "top opening",
    "cold at top",
    "cold at partial",
    "cold at full",
    "slope of mites",
)
SCALARS = ("mite_load_mean", "mite_load_sd", "stores_cv", "strength_cv")
TRUTHS = (
    "coefficient",
    "group_effect",
    "winter_effect",
    "covariate_z",
    "mite_load",
    "spread",
    *SCALARS,
)
RECORDS = ("stores_use_kg", "is_alive", "spring_frames", "mites_in_sample", "mites_on_board")
RANKS_OF = 99  # nearly independent draws a truth is ranked among: 100 ranks
BUDGET = Budget(chains=2, tune=500, draws=500)


@lru_cache(maxsize=1)
def design() -> Pool:
    """Return the invented pool whose records are drawn anew in every replicate.

    64 colony-winters of 8 members in 2 winters, with mite washes, rolls and boards, two
    weighing methods, gaps in every covariate, and every colony's spring count foreseen (a dead
    one's is left out when the records are drawn).
    """
    made = simulate_pool(DESIGN, DESIGN_SEED)
    settings = Settings(model=ModelSettings(minimum_colonies=5))
    pool = pack_pool(made.colony_winters, made.mite_samples, settings)
    survival = pool.observed[SURVIVAL].rows
    foreseen = survival[np.arange(len(survival)) % 8 > 0]
    error = np.full(len(foreseen), 0.1)
    strength = Observed(foreseen, np.full(len(foreseen), 6.0), error)
    counts = pool.mite_counts
    is_board = np.arange(len(counts.rows)) % 5 == 0
    boards = replace(
        counts,
        method=np.where(is_board, -1, counts.method),
        board_days=np.where(is_board, 3.0, np.nan),
    )
    return replace(pool, observed=pool.observed | {STRENGTH: strength}, mite_counts=boards)


@dataclass(frozen=True, slots=True)
class _Prior:
    """A function that draws from the prior, its random states, and the names of what it draws."""

    draw: Callable[[], list[np.ndarray]]
    states: list[Any]
    dims: dict[str, tuple[str, ...]]
    coords: dict[str, list]


@lru_cache(maxsize=1)
def _prior() -> _Prior:
    model = build_joint_model(design(), is_rotated=False)
    names = [name for name in (*TRUTHS, *RECORDS) if name in model.named_vars]
    plain = Mode(linker="py", optimizer="fast_compile")  # one draw a replicate: not worth compiling
    with model:
        function, updates = pm.compile(
            [],
            [model[name] for name in names],
            mode=plain,
            random_seed=False,
            return_updates=True,
        )
    dims = {name: tuple(model.named_vars_to_dims.get(name, ())) for name in names}
    coords = {d: list(model.coords[d]) for d in ("outcome", "term", "grouping")}
    return _Prior(function, list(updates), dims, coords)


@dataclass(frozen=True, slots=True)
class Drawn:
    """Parameters drawn from the prior, as a posterior of one draw, and a pool of records."""

    truth: xr.Dataset
    pool: Pool


def draw_from_prior(seed: int) -> Drawn:
    """Draw every parameter from its prior, and the design's records given the parameters.

    Parameters
    ----------
    seed : int
        The replicate's number; the same seed gives the same records, in any order.

    Returns
    -------
    Drawn
    """
    prior = _prior()
    reseed_rngs(prior.states, [DESIGN_SEED, seed])
    values = dict(zip(prior.dims, map(np.asarray, prior.draw()), strict=True))
    variables = {
        name: (("chain", "draw", *prior.dims[name]), values[name][None, None])
        for name in TRUTHS
        if name in values
    }
    return Drawn(xr.Dataset(variables, coords=prior.coords), _with_records(design(), values))


def _with_records(pool: Pool, values: dict[str, np.ndarray]) -> Pool:
    alive = np.full(pool.n_units, False)
    survival = pool.observed[SURVIVAL]
    alive[survival.rows] = values["is_alive"].astype(bool)
    seen = pool.observed[STRENGTH]
    counted = alive[seen.rows]
    counts = pool.mite_counts
    mites = counts.mites.copy()
    mites[counts.method >= 0] = values["mites_in_sample"]
    mites[counts.method < 0] = values["mites_on_board"]
    observed = {
        STORES: replace(pool.observed[STORES], value=values["stores_use_kg"]),
        SURVIVAL: replace(survival, value=values["is_alive"].astype(float)),
        STRENGTH: Observed(
            seen.rows[counted], values["spring_frames"][counted], seen.error[counted]
        ),
    }
    return replace(pool, observed=observed, mite_counts=replace(counts, mites=mites))


def quantities(pool: Pool, posterior: xr.Dataset) -> dict[str, np.ndarray]:
    """Draws of every quantity that is ranked, shape (draw,), by name."""
    made = {}
    for outcome in pool.outcomes:
        own = posterior["coefficient"].sel(outcome=outcome)
        for term in LOOKED_AT:
            made[f"{outcome} | {term}"] = flat_draws(own.sel(term=term))
        spread = posterior["spread"].sel(outcome=outcome)
        for grouping in posterior["grouping"].values:
            made[f"{outcome} | spread of {grouping}"] = flat_draws(spread.sel(grouping=grouping))
    for name in SCALARS:
        made[name] = flat_draws(posterior[name])
    means = pool_means(pool, posterior, seed=0)
    for outcome in pool.outcomes:
        for contrast in CONTRASTS:
            draws = contrast_draws(pool, means, outcome, contrast, THESE, ALL)
            made[f"{outcome} | {contrast}"] = draws["difference"]
    return made


def rank_of(truth: float, draws: np.ndarray, n_kept: int = RANKS_OF) -> int:
    """How many of ``n_kept`` evenly thinned draws lie below the truth: 0 to ``n_kept``.

    Examples
    --------
    >>> rank_of(0.5, np.arange(10) / 10, n_kept=10)
    5
    """
    at = np.linspace(0, len(draws) - 1, min(n_kept, len(draws))).round().astype(int)
    return int((draws[at] < truth).sum())


def sbc_replicate(number: int) -> dict[str, Any]:
    """Draw from the prior, fit, and rank the truth: one replicate.

    Parameters
    ----------
    number : int
        The replicate's number and its only seed.

    Returns
    -------
    dict
        ``ranks`` by quantity, ``r_hat`` (the largest of the quantities), ``divergences``.
    """
    drawn = draw_from_prior(number)
    sampled = sample_quantities(drawn.pool, number, BUDGET, quantities)
    truth = quantities(drawn.pool, drawn.truth)
    ranks = {name: rank_of(float(truth[name][0]), own) for name, own in sampled.draws.items()}
    return {"ranks": ranks, "ranks_of": RANKS_OF, **sampled.checks()}
