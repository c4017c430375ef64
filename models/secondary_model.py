"""The model of one secondary outcome: priors, fixed effects, groups, likelihood, contrast.

The level enters as steps, as in the joint model, with effects of member, colony and winter and the
member's share of each level, so that levels are compared within members. The mite load is not
known here: whether a colony was treated stands for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pymc as pm
import pytensor.tensor as pt
import xarray as xr

from models.logged import BROOD, MOISTURE, Logged
from models.spreads import add_spread
from models.vocabulary import LEVELS
from pipeline.settings import ModelSettings

HOURS: Final = 2400.0  # of 100 logged days


@dataclass(frozen=True, slots=True)
class SecondaryPriors:
    """Priors of one secondary outcome, in its own units."""

    intercept_mu: float
    intercept_sd: float
    step_sd: float  # fixed: one level up; sign free
    opening_sd: float  # fixed: an open top
    slope_sd: float  # fixed: one standard deviation of a covariate
    share_sd: float  # fixed, at least 2 times the step: only contrasts within members count
    winter_sd: float  # fixed: few winters cannot teach their own spread
    member_sd: float  # spread between members
    colony_sd: float  # spread of what a colony keeps over winters


BROOD_PRIORS = SecondaryPriors(  # days since 21 December
    intercept_mu=70.0,  # 1 March; common practice, no source
    intercept_sd=20.0,  # 95 % of pools between 20 January and 10 April
    step_sd=7.0,  # 95 %: one level up moves brood by less than two weeks
    opening_sd=7.0,
    slope_sd=5.0,
    share_sd=21.0,  # members who insulate may differ by weeks
    winter_sd=10.0,  # springs differ by weeks
    member_sd=7.0,  # stock and forage move brood by a week
    colony_sd=3.5,
)
MOISTURE_PRIORS = SecondaryPriors(  # log-odds of an hour at risk
    intercept_mu=-1.5,  # one hour in five
    intercept_sd=1.5,  # 95 % of pools between 1 and 81 % of hours
    step_sd=1.5,  # the layer model alone can move a wall from wet most nights to never
    opening_sd=1.0,
    slope_sd=0.7,
    share_sd=3.0,
    winter_sd=0.5,
    member_sd=0.8,  # sites and sensors differ by a factor 2 in odds
    colony_sd=0.5,
)


@dataclass(frozen=True, slots=True)
class NoisePriors:
    """Priors of what colonies alike in all else still differ by."""

    brood_sd: float = 15.0  # half-normal [d]: up to a month between alike colonies
    concentration_mu: float = 1.1  # log 3: an hour's chance varies over most of 0 to 1
    concentration_sd: float = 0.8  # 95 %: 0.6 to 14


@dataclass(frozen=True, slots=True)
class _Design:
    """Columns of fixed effects, named; ``at`` gives them for every unit at one level."""

    names: tuple[str, ...]
    own: np.ndarray
    at: dict[str, np.ndarray]
    scale: np.ndarray


def _design(logged: Logged, priors: SecondaryPriors) -> _Design:
    above = logged.levels[1:]
    n = logged.n_units
    used = np.column_stack([logged.level == k for k in range(1, len(logged.levels))]).astype(float)
    size = np.bincount(logged.member)
    shares = np.column_stack([np.bincount(logged.member, c) / size for c in used.T])[logged.member]

    def steps(level: np.ndarray) -> np.ndarray:
        """Steps up to a level, centred on the pool so that the intercept is its average."""
        ks = range(1, len(logged.levels))
        return np.column_stack([(level >= k) - (logged.level >= k).mean() for k in ks])

    gaps = np.sqrt(np.diff([LEVELS.index(name) for name in logged.levels]))
    rest = {"intercept": (np.ones(n), priors.intercept_sd)}
    if np.ptp(logged.opening) > 0:
        rest["top opening"] = (logged.opening - logged.opening.mean(), priors.opening_sd)
    for k, name in enumerate(above):
        if np.ptp(shares[:, k]) > 0:
            rest[f"member share {name}"] = (shares[:, k] - shares[:, k].mean(), priors.share_sd)
    for name, values in logged.covariates.items():
        rest[f"slope of {name}"] = (values, priors.slope_sd)
    others = np.column_stack([values for values, _ in rest.values()])
    return _Design(
        names=(*(f"step to {name}" for name in above), *rest),
        own=np.hstack([steps(logged.level), others]),
        at={
            name: np.hstack([steps(np.full(n, k)), others]) for k, name in enumerate(logged.levels)
        },
        scale=np.array([*(priors.step_sd * gaps), *(sd for _, sd in rest.values())]),
    )


def _groups(logged: Logged, priors: SecondaryPriors, least: int) -> pt.TensorVariable:
    """Add effects of members, colonies and winters, where the records can carry them."""
    effect = pt.zeros(logged.n_units)
    if len(logged.members) > 1:
        sd = add_spread("member_sd", priors.member_sd)
        # summing to zero: else members and intercept trade off, and the intercept mixed badly
        effect += sd * pm.ZeroSumNormal("member_z", 1.0, dims="member")[logged.member]
    if (np.bincount(logged.colony) > 1).sum() >= least:
        sd = add_spread("colony_sd", priors.colony_sd)
        effect += sd * pm.Normal("colony_z", dims="colony")[logged.colony]
    if len(logged.winters) > 1:
        effect += pm.ZeroSumNormal("winter_effect", priors.winter_sd, dims="winter")[logged.winter]
    return effect


def _log_interval(low: pt.TensorVariable, high: pt.TensorVariable) -> pt.TensorVariable:
    """Log of the standard normal's mass between two finite points.

    Taken in the lower tail, by symmetry, where both logarithms are exact.
    """
    is_upper = low + high > 0
    near, far = pt.switch(is_upper, -high, low), pt.switch(is_upper, -low, high)
    log_far, log_near = (pm.logcdf(pm.Normal.dist(), x) for x in (far, near))
    return log_far + pt.log1mexp(log_near - log_far)


def _add_brood(logged: Logged, eta: pt.TensorVariable, noise: NoisePriors) -> None:
    sd = pm.HalfNormal("onset_sd", noise.brood_sd)
    is_low, is_high = np.isfinite(logged.low), np.isfinite(logged.high)
    both = np.flatnonzero(is_low & is_high)
    before, after = np.flatnonzero(~is_low), np.flatnonzero(~is_high)
    standard = pm.Normal.dist()
    if len(both):
        low = (logged.low[both] - eta[both]) / sd
        high = (logged.high[both] - eta[both]) / sd
        pm.Potential("onset_in_interval", _log_interval(low, high).sum())
    if len(before):
        below = pm.logcdf(standard, (logged.high[before] - eta[before]) / sd)
        pm.Potential("onset_before", below.sum())
    if len(after):
        above = pm.logcdf(standard, (eta[after] - logged.low[after]) / sd)
        pm.Potential("onset_after", above.sum())


def _add_moisture(logged: Logged, eta: pt.TensorVariable, noise: NoisePriors) -> None:
    """Hours at risk among hours logged: bounded, often none, and far from independent."""
    concentration = pm.LogNormal("concentration", noise.concentration_mu, noise.concentration_sd)
    chance = pm.math.sigmoid(eta)
    pm.BetaBinomial(
        "hours_at_risk",
        n=logged.high.astype(int),
        alpha=chance * concentration,
        beta=(1.0 - chance) * concentration,
        observed=logged.low.astype(int),
        dims="unit",
    )


def build_secondary_model(logged: Logged, settings: ModelSettings) -> pm.Model:
    """Assemble the model of one secondary outcome.

    Parameters
    ----------
    logged : Logged
        At least two levels.
    settings : ModelSettings
        ``minimum_colonies`` colonies with loggers in several winters earn an effect of their own.

    Returns
    -------
    pymc.Model
        Brood onset is normal, known to intervals; condensation hours are beta-binomial.
    """
    priors = BROOD_PRIORS if logged.outcome == BROOD else MOISTURE_PRIORS
    design, noise = _design(logged, priors), NoisePriors()
    coords = {
        "term": list(design.names),
        "unit": list(logged.unit_names),
        "member": list(logged.members),
        "colony": list(logged.colonies),
        "winter": list(logged.winters),
    }
    mu = np.where(np.array(design.names) == "intercept", priors.intercept_mu, 0.0)
    with pm.Model(coords=coords, check_bounds=False) as model:
        coefficient = pm.Normal("coefficient", mu, design.scale, dims="term")
        groups = _groups(logged, priors, settings.minimum_colonies)
        groups = pm.Deterministic("group_effect", groups, dims="unit")
        eta = pt.dot(design.own, coefficient) + groups
        add = _add_brood if logged.outcome == BROOD else _add_moisture
        add(logged, eta, noise)
    return model


def contrast_draws(logged: Logged, posterior: xr.Dataset, contrast: str) -> xr.DataArray:
    """Level less none over the logged units, each with its own opening, cold and member.

    Parameters
    ----------
    logged : Logged
    posterior : xarray.Dataset
    contrast : str

    Returns
    -------
    xarray.DataArray, dims (chain, draw)
        Days later, or more hours at risk per 100 logged days.
    """
    priors = BROOD_PRIORS if logged.outcome == BROOD else MOISTURE_PRIORS
    design = _design(logged, priors)
    coefficient = posterior["coefficient"].transpose("chain", "draw", "term").values
    groups = posterior["group_effect"].transpose("chain", "draw", "unit").values

    def mean_at(level: str) -> np.ndarray:
        eta = coefficient @ design.at[level].T + groups
        return (HOURS / (1.0 + np.exp(-eta)) if logged.outcome == MOISTURE else eta).mean(axis=-1)

    difference = mean_at(contrast.removesuffix(" vs none")) - mean_at("none")
    return xr.DataArray(difference, dims=("chain", "draw"))
