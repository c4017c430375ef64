"""Power-scaling: how much the answer leans on each group of priors, and on the records.

Each prior density is raised to a power a little below and above 1 and the draws are reweighted; how
fast the answer's distribution moves is the sensitivity. Only priors at the top are scaled: the
spread of members around each other is model, not prior.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
from scipy import stats

from models.checks.base import NO_POSTERIOR, About, Check, Evidence
from models.checks.headline import headline_rows
from models.geometry import coefficient_priors
from models.log_likelihood import Draws
from models.predictor import layout_of
from models.priors import SPREAD_LOG_SD, SPREAD_MEDIAN, Priors

# From the paper: above it a prior is called informative, below it a likelihood weak.
THRESHOLD = 0.05
POWERS = (0.99, 1.01)

ABOUT = About(
    "power_scaling",
    "What the priors contribute",
    "Would slightly weaker or stronger prior assumptions change the answer?",
)
GROUP_OF_TERM = {
    "intercept": "levels and opening",
    "step to": "levels and opening",
    "top opening": "levels and opening",
    "top opening at": "levels and opening",
    "cold at": "levels and opening",
    "member share": "shares of levels",
    "apiary share": "shares of levels",
    "slope of": "covariates",
}
SCHEMA = {
    "outcome": pl.String,
    "scaled": pl.String,
    "sensitivity": pl.Float64,
    "is_above": pl.Boolean,
    "diagnosis": pl.String,
}
LIKELIHOOD = "all records (likelihood)"


def _spread(value: np.ndarray, scale: np.ndarray | float) -> np.ndarray:
    """Log density of the prior of spreads."""
    return stats.lognorm.logpdf(value, SPREAD_LOG_SD, scale=SPREAD_MEDIAN * np.asarray(scale))


def log_prior(evidence: Evidence, draws: Draws) -> dict[str, np.ndarray]:
    """Log density of every group of priors, shape (draw,) each.

    Effects of single members, yards and colonies, and unknown covariates, are not in it.
    """
    pool, priors = evidence.pool, evidence.priors
    layout = layout_of(pool)
    own = [priors.outcomes[o] for o in pool.outcomes]
    mu, sd = coefficient_priors(pool, layout, own)
    density = stats.norm.logpdf(draws.effects[:, :, : len(layout.coefficients)], mu, sd)
    made: dict[str, np.ndarray] = {}

    def add(group: str, values: np.ndarray) -> None:
        total = values.reshape(draws.n, -1).sum(axis=1)
        made[group] = made.get(group, np.zeros(draws.n)) + total

    for k, (name, _, _) in enumerate(layout.coefficients):
        add(GROUP_OF_TERM[name], density[:, :, k])
    groups = "groups and winters"
    if "spread" in draws.values:
        scales = [[getattr(p, s) for p in own] for s, _ in layout.groupings.values()]
        add(groups, _spread(draws.values["spread"], np.array(scales)))
    if layout.winters:
        effects = draws.effects[:, :, layout.winter_start :]
        sd_winter = np.array([p.winter_sd for p in own])[:, None]
        add(groups, stats.norm.logpdf(effects, 0.0, sd_winter))
    _add_others(draws, priors, add)
    return made


def _add_others(draws: Draws, priors: Priors, add: Callable[[str, np.ndarray], None]) -> None:
    """Add the priors of single parameters: residual spreads, windows, mites."""
    stores, strength, mites = priors.stores, priors.strength, priors.mites
    found = draws.values
    normal, half, log_normal = stats.norm.logpdf, stats.halfnorm.logpdf, stats.lognorm.logpdf
    single = {
        "window_exponent": lambda x: normal(x, stores.exponent_mu, stores.exponent_sd),
        "window_cold_slope": lambda x: normal(x, 0.0, stores.window_cold_sd),
        "stores_cv": lambda x: half(x, scale=stores.cv_sd),
        "strength_cv": lambda x: half(x, scale=strength.cv_sd),
    }
    of_mites = {
        "mite_load_mean": lambda x: normal(x, mites.load_mu, mites.load_mu_sd),
        "treatment_effect": lambda x: normal(x, mites.treatment_mu, mites.treatment_sd),
        "treatment_type_sd": lambda x: _spread(x, mites.treatment_type_sd),
        "treatment_type_z": normal,
        "treatment_regrowth": lambda x: normal(x, mites.regrowth_mu, mites.regrowth_sd),
        "mite_growth": lambda x: normal(x, mites.growth_mu, mites.growth_sd),
        "treatment_efficacy": lambda x: normal(x, mites.efficacy_mu, mites.efficacy_sd),
        "mite_member_sd": lambda x: _spread(x, mites.member_sd),
        "mite_load_sd": lambda x: _spread(x, mites.load_sd),
        "count_overdispersion": lambda x: log_normal(
            x, mites.overdispersion_sd, scale=np.exp(mites.overdispersion_mu)
        ),
        "board_rate": lambda x: log_normal(
            x, mites.board_rate_sd, scale=np.exp(mites.board_rate_mu)
        ),
        "board_overdispersion": lambda x: log_normal(
            x, mites.board_overdispersion_sd, scale=np.exp(mites.board_overdispersion_mu)
        ),
    }
    for group, parts in (("residual spreads and windows", single), ("mites", of_mites)):
        for name, density in parts.items():
            if name in found:
                add(group, density(found[name]))


def sensitivity(values: np.ndarray, log_density: np.ndarray) -> float:
    """Power-scaling sensitivity of a quantity to one part of the log density.

    Parameters
    ----------
    values, log_density : numpy.ndarray, shape (draw,)

    Returns
    -------
    float
        Gradient, by log2 of the power, of the cumulative Jensen-Shannon distance.

    References
    ----------
    Kallioinen, Paananen, Bürkner, Vehtari (2024), "Detecting and diagnosing prior and likelihood
    sensitivity with power-scaling", Stat. Comput. 34:57, doi:10.1007/s11222-023-10366-5.
    """
    if np.ptp(log_density) == 0.0:
        return 0.0
    from arviz_stats.base import array_stats

    weights = []
    for power in POWERS:
        log_weights = np.asarray(array_stats.power_scale_lw(log_density[None, :], alpha=power))
        own = np.exp(log_weights - log_weights.max()).ravel()
        weights.append((own / own.sum())[None, :])
    lower, upper = weights
    found = array_stats.power_scale_sense(values[None, :], lower, upper, POWERS[0], POWERS[1])
    return float(np.squeeze(found))


def diagnose(prior: float, likelihood: float) -> str:
    """Say in the paper's terms what a pair of sensitivities means."""
    if prior < THRESHOLD:
        return "the prior hardly matters"
    if likelihood < THRESHOLD:
        return "strong prior or weak records"
    return "prior and records pull apart"


def check_power_scaling(evidence: Evidence) -> Check:
    """Judge the headline's sensitivity to each group of priors and to the records."""
    rows, headline = headline_rows(evidence.estimands), evidence.headline
    if headline is None:
        return ABOUT.not_run(NO_POSTERIOR)
    priors = log_prior(evidence, evidence.draws)
    records = np.sum([part.sum(axis=1) for part in evidence.log_likelihood.values()], axis=0)
    made, failed, said = [], [], []
    for outcome in (o for o in rows["outcome"].to_list() if o in headline.base):
        values = headline.benefit(outcome)
        from_records = sensitivity(values, records)
        found = {group: sensitivity(values, part) for group, part in priors.items()}
        for group, size in found.items():
            diagnosis = diagnose(size, from_records)
            made.append((outcome, group, size, size >= THRESHOLD, diagnosis))
        made.append((outcome, LIKELIHOOD, from_records, from_records >= THRESHOLD, ""))
        worst = max(found, key=lambda group: found[group])
        if found[worst] >= THRESHOLD:
            failed.append(outcome)
        said.append(f"{outcome} most to {worst} ({found[worst]:.3f})")
    sentence = f"Sensitivity to priors: {'; '.join(said)}. " + (
        f"The answer for {', '.join(failed)} leans on a prior."
        if failed
        else "No group of priors moves the answer noticeably."
    )
    reason = (
        f"Fails when the sensitivity to any group of priors reaches {THRESHOLD} (the threshold of "
        "Kallioinen and others, 2024)."
    )
    return ABOUT.judged(tuple(failed), sentence, pl.DataFrame(made, SCHEMA, orient="row"), reason)
