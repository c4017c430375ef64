"""Densities of the records under posterior draws, in NumPy, for checks without refits.

The densities are those of ``models/parts``, written a second time on purpose: checks need them for
thousands of draws, for values that were not recorded, and without compiling. A test holds the
two together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from scipy import stats
from scipy.special import expit, gammaln, xlogy

from models.data import Pool
from models.estimands import flat_draws, posterior_effects
from models.predictor import Terms, base_terms, exposure_terms, layout_of, linear_predictor
from models.priors import Priors
from models.vocabulary import STORES, SURVIVAL

DRAWS_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Draws:
    """Posterior draws, chains one after another.

    Attributes
    ----------
    effects : numpy.ndarray, shape (draw, outcome, effect)
        As ``models.predictor.Layout`` names them.
    latent : numpy.ndarray, shape (draw, latent)
    values : dict of str to numpy.ndarray, shape (draw, ...)
        Every other variable of the posterior that is not one of those.
    """

    effects: np.ndarray
    latent: np.ndarray
    values: dict[str, np.ndarray]

    @property
    def n(self) -> int:
        """Draws."""
        return len(self.effects)

    def column(self, name: str, default: float = 0.0) -> np.ndarray:
        """Return a scalar of every draw as a column, shape (draw, 1)."""
        return self.values.get(name, np.full(self.n, default))[:, None]

    def take(self, rows: np.ndarray | slice) -> Draws:
        """Return some draws."""
        values = {name: array[rows] for name, array in self.values.items()}
        return Draws(self.effects[rows], self.latent[rows], values)


def thinned(posterior: xr.Dataset, most: int) -> xr.Dataset:
    """Keep at most ``most`` draws, evenly spaced in every chain."""
    step = max(1, int(np.ceil(posterior.sizes["chain"] * posterior.sizes["draw"] / most)))
    return posterior.isel(draw=slice(None, None, step))


def gather_draws(posterior: xr.Dataset, most: int) -> Draws:
    """Thin a posterior and lay it out for the predictor."""
    own = thinned(posterior, most)
    effects, latent = posterior_effects(own)
    wanted = (
        "window_exponent",
        "window_cold_slope",
        "stores_cv",
        "strength_cv",
        "spread",
        "partial_correlation",
        "mite_load",
        "mite_load_mean",
        "mite_load_sd",
        "mite_member_sd",
        "mite_member_z",
        "mite_winter_effect",
        "treatment_effect",
        "treatment_type_sd",
        "treatment_type_z",
        "treatment_regrowth",
        "mite_growth",
        "treatment_efficacy",
        "sensitivity",
        "count_overdispersion",
        "board_rate",
        "board_overdispersion",
    )
    values = {name: flat_draws(own[name]) for name in wanted if name in own}
    return Draws(effects, latent, values)


def terms_as_recorded(pool: Pool, outcome: str) -> Terms:
    """Terms of every unit as it was."""
    layout = layout_of(pool)
    exposed = exposure_terms(pool, layout, pool.level, pool.opening)
    return base_terms(pool, layout, outcome).beside(exposed)


def observed_predictor(pool: Pool, draws: Draws, outcome: str) -> np.ndarray:
    """Linear predictor of the units with the outcome recorded, shape (draw, observed).

    For stores use the window's length and cold are in it.
    """
    rows = pool.observed[outcome].rows
    terms, o = terms_as_recorded(pool, outcome).take(rows), pool.outcomes.index(outcome)
    eta = np.empty((draws.n, len(rows)))
    for start in range(0, draws.n, DRAWS_AT_ONCE):
        at = slice(start, start + DRAWS_AT_ONCE)
        eta[at] = linear_predictor(draws.effects[at, o], draws.latent[at], terms)
    return eta + (window_terms(pool, draws, rows) if outcome == STORES else 0.0)


def window_terms(pool: Pool, draws: Draws, rows: np.ndarray) -> np.ndarray:
    """What a weighing window's length and cold add to log stores use, shape (draw, row)."""
    made = draws.column("window_exponent") * pool.log_window[rows]
    return made + draws.column("window_cold_slope") * pool.window_cold[rows]


def stores_scale(eta: np.ndarray, error_kg: np.ndarray, cv: np.ndarray) -> np.ndarray:
    """Scale of the ledger's Student-t [kg]: the methods' error and the colonies' spread."""
    return np.sqrt(error_kg**2 + (cv * np.exp(eta)) ** 2)


def frames_shape(error: np.ndarray, cv: np.ndarray) -> np.ndarray:
    """Shape of the gamma of frames: one over the squared spread, the colonies' and the count's."""
    return 1.0 / (cv**2 + error**2)


def student_log_density(residual: np.ndarray, scale: np.ndarray, nu: float) -> np.ndarray:
    """Log density of a Student-t about zero."""
    constant = gammaln((nu + 1) / 2) - gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)
    return constant - np.log(scale) - (nu + 1) / 2 * np.log1p((residual / scale) ** 2 / nu)


def count_log_density(count: np.ndarray, log_mean: np.ndarray, phi: np.ndarray) -> np.ndarray:
    """Log probability of a negative binomial with variance ``mean + mean**2 / phi``."""
    mean = np.exp(log_mean)
    return (
        gammaln(count + phi)
        - gammaln(phi)
        - gammaln(count + 1)
        + xlogy(phi, phi / (phi + mean))
        + xlogy(count, mean / (phi + mean))
    )


def outcome_log_density(
    pool: Pool,
    draws: Draws,
    outcome: str,
    eta: np.ndarray,
    priors: Priors,
    own: np.ndarray | slice = slice(None),
) -> np.ndarray:
    """Log density of recorded outcomes given their predictor.

    Parameters
    ----------
    pool : Pool
    draws : Draws
    outcome : str
    eta : numpy.ndarray, shape (draw, observed)
        As ``observed_predictor``.
    priors : Priors
        For the Student-t's degrees of freedom.
    own : numpy.ndarray of int or slice
        Which of the outcome's records ``eta`` is of; all unless given.

    Returns
    -------
    numpy.ndarray, shape (draw, observed)
    """
    seen = pool.observed[outcome]
    value, error = seen.value[own], seen.error[own]
    if outcome == SURVIVAL:
        return -np.logaddexp(0.0, np.where(value == 1.0, -eta, eta))
    if outcome == STORES:
        scale = stores_scale(eta, error, draws.column("stores_cv"))
        nu = priors.stores.degrees_of_freedom
        return student_log_density(value - np.exp(eta), scale, nu)
    shape = frames_shape(error, draws.column("strength_cv"))
    log_ratio = np.log(value) - eta
    return shape * (np.log(shape) + log_ratio - np.exp(log_ratio)) - gammaln(shape) - np.log(value)


def outcome_information(
    pool: Pool,
    draws: Draws,
    outcome: str,
    eta: np.ndarray,
    priors: Priors,
    own: np.ndarray | slice = slice(None),
) -> np.ndarray:
    """Fisher information of each record about its predictor; never negative.

    Parameters and shape as ``outcome_log_density``. What the shape of frames tells is left out.

    References
    ----------
    Lange, Little, Taylor (1989), J. Am. Stat. Assoc. 84:881-896, for the Student-t (from memory).
    """
    error = pool.observed[outcome].error[own]
    if outcome == SURVIVAL:
        return expit(eta) * expit(-eta)
    if outcome == STORES:
        scale, nu = (
            stores_scale(eta, error, draws.column("stores_cv")),
            priors.stores.degrees_of_freedom,
        )
        of_scale = (draws.column("stores_cv") * np.exp(eta) / scale) ** 2
        of_place = (np.exp(eta) / scale) ** 2
        return of_place * (nu + 1) / (nu + 3) + of_scale**2 * 2 * nu / (nu + 3)
    return frames_shape(error, draws.column("strength_cv"))


def outcome_distribution(
    pool: Pool,
    draws: Draws,
    outcome: str,
    eta: np.ndarray,
    priors: Priors,
    own: np.ndarray | slice = slice(None),
) -> Any:
    """Return SciPy's frozen distribution of records; parameters as ``outcome_log_density``."""
    error = pool.observed[outcome].error[own]
    if outcome == SURVIVAL:
        return stats.bernoulli(expit(eta))
    if outcome == STORES:
        scale = stores_scale(eta, error, draws.column("stores_cv"))
        return stats.t(priors.stores.degrees_of_freedom, loc=np.exp(eta), scale=scale)
    shape = frames_shape(error, draws.column("strength_cv"))
    return stats.gamma(shape, scale=np.exp(eta) / shape)


def treatment_part(pool: Pool, draws: Draws) -> np.ndarray:
    """What treatments add to the log mite load of units, shape (draw, unit)."""
    given = pool.treatments
    added = draws.column("treatment_effect") * (pool.treated - pool.treated.mean())
    if given.has_types:
        effects = draws.column("treatment_type_sd") * draws.values["treatment_type_z"]
        added = added + effects @ (given.share - given.share.mean(axis=0)).T
    if given.has_timing:
        added = added + draws.column("treatment_regrowth") * given.months
    return added


def log_mites_when_counted(pool: Pool, draws: Draws, own: np.ndarray) -> np.ndarray:
    """What takes a load to the log mean of a count: days, treatments, method, bees or boards.

    Parameters
    ----------
    pool : Pool
    draws : Draws
    own : numpy.ndarray of int
        Which of ``pool.mite_counts``.

    Returns
    -------
    numpy.ndarray, shape (draw, count)
        To be added to the unit's log load.
    """
    counts = pool.mite_counts
    added = -draws.column("mite_growth") * counts.days_before[own]
    added = added + draws.column("treatment_efficacy") * counts.treatments_between[own]
    method = counts.method[own]
    sampled, boards = np.flatnonzero(method >= 0), np.flatnonzero(method < 0)
    if len(sampled):
        used = sorted(set(counts.method[counts.method >= 0]))
        found = draws.values["sensitivity"][:, np.searchsorted(used, method[sampled])]
        added[:, sampled] += np.log(found) + np.log(counts.bees[own][sampled] / 100.0)
    if len(boards):
        frames = pool.autumn_frames[counts.rows[own][boards]]
        drop = np.log(counts.board_days[own][boards] * frames)
        added[:, boards] += np.log(draws.column("board_rate")) + drop
    return added


def count_overdispersion(pool: Pool, draws: Draws, own: np.ndarray) -> np.ndarray:
    """Overdispersion of each count, shape (draw, count)."""
    is_board = pool.mite_counts.method[own] < 0
    sample, board = (
        draws.column(name, 1.0) for name in ("count_overdispersion", "board_overdispersion")
    )
    return np.where(is_board, board, sample)


def mite_log_density(pool: Pool, draws: Draws) -> np.ndarray:
    """Log probability of every mite count, shape (draw, count); no columns without mites."""
    if not pool.has("mites"):
        return np.zeros((draws.n, 0))
    counts = pool.mite_counts
    own = np.arange(len(counts.rows))
    log_mean = draws.values["mite_load"][:, counts.rows] + log_mites_when_counted(pool, draws, own)
    return count_log_density(counts.mites, log_mean, count_overdispersion(pool, draws, own))


def log_likelihood(
    pool: Pool, draws: Draws, priors: Priors, predictors: dict[str, np.ndarray] | None = None
) -> dict[str, np.ndarray]:
    """Pointwise log likelihood by outcome, and of ``mites``; shape (draw, record) each.

    ``predictors`` are those of ``observed_predictor`` by outcome, made here unless given.
    """
    made = {}
    for outcome in pool.outcomes:
        eta = predictors[outcome] if predictors else observed_predictor(pool, draws, outcome)
        made[outcome] = outcome_log_density(pool, draws, outcome, eta, priors)
    return made | {"mites": mite_log_density(pool, draws)}
