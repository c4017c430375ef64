"""The four-part model and its standardisation, written a second time, in NumPyro.

Nothing here calls ``models``: the statements are those of the report's methods page, the numbers
those of the priors, the records those of a packed pool. Where the first implementation works with
steps between levels, one vector of standardised effects and one table of terms, this one works
with the levels' effects themselves (a Gaussian random walk), a parameter a name and NumPyro's own
distributions (LKJ by Cholesky factor, zero-sum normal, negative binomial by mean and
concentration).

Every array of effects has the pool's outcomes first: stores use, survival, spring strength.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

WHY = "the second implementation needs NumPyro: uv sync --group numpyro"
jax = pytest.importorskip("jax", reason=WHY)
numpyro = pytest.importorskip("numpyro", reason=WHY)
dist = pytest.importorskip("numpyro.distributions", reason=WHY)
jnp = jax.numpy

STORES, SURVIVAL, STRENGTH = 0, 1, 2
WHO_AND_WHERE = ("member", "apiary", "apiary-winter", "colony")  # correlated across outcomes
METHODS = ("alcohol wash", "sugar roll", "CO2 roll")

Draw = dict[str, Any]


def check_carries_all(pool: Any) -> None:
    """Raise ValueError unless the pool carries every part: only then is the model this one."""
    without = [part.name for part in pool.parts.values() if not part.is_included]
    if without or pool.levels != ("none", "top", "partial", "full"):
        raise ValueError(f"not carried: {without}; levels: {pool.levels}")


def group_of_unit(pool: Any, grouping: str) -> tuple[np.ndarray, int]:
    """Group of every unit, and how many groups there are."""
    return {
        "member": (pool.member, len(pool.members)),
        "apiary": (pool.apiary, len(pool.apiaries)),
        "apiary-winter": (pool.apiary_winter, len(pool.apiary_winters)),
        "colony": (pool.colony, len(pool.colonies)),
    }[grouping]


def covariates_of(pool: Any) -> list[Any]:
    """The pool's covariates, autumn stores last."""
    return [*pool.covariates, pool.autumn_stores]


def spread(name: str, scale: Any) -> Any:
    """Spread between groups: log-normal, median 0.6 times the scale, log sd 0.6."""
    return numpyro.sample(name, dist.LogNormal(jnp.log(0.6 * jnp.asarray(scale)), 0.6))


def draw_covariates(pool: Any) -> dict[str, Any]:
    """Standardised values of every unit; uncertain ones of a place share one unknown."""
    values = {}
    for covariate in covariates_of(pool):
        is_uncertain = covariate.sd > 0
        value = jnp.asarray(covariate.mean)
        if is_uncertain.any():
            places, at = np.unique(covariate.place[is_uncertain], return_inverse=True)
            size = (len(places),)
            unknown = numpyro.sample(
                f"unknown {covariate.name}", dist.Normal().expand(size).to_event(1)
            )
            value = value.at[np.flatnonzero(is_uncertain)].add(
                covariate.sd[is_uncertain] * unknown[at]
            )
        values[covariate.name] = value
    return values


def draw_mites(pool: Any, priors: Any) -> Any:
    """Log load of every unit at the reference date, and the counts that read it."""
    normal, counts = dist.Normal, pool.mite_counts
    size_m, size_w, n = len(pool.members), len(pool.winters), pool.n_units
    given = pool.treatments
    mean = numpyro.sample("load", normal(priors.load_mu, priors.load_mu_sd))
    treatment = numpyro.sample("treatment", normal(priors.treatment_mu, priors.treatment_sd))
    by_type = spread("sd of treatments", priors.treatment_type_sd)
    size_t = len(given.types)
    of_type = numpyro.sample("unit treatments", normal().expand((size_t,)).to_event(1))
    regrowth = numpyro.sample("regrowth", normal(priors.regrowth_mu, priors.regrowth_sd))
    by_member = spread("sd of member's load", priors.member_sd)
    member = numpyro.sample("member's load", normal().expand((size_m,)).to_event(1))
    winter = numpyro.sample("winter's load", dist.ZeroSumNormal(priors.winter_sd, (size_w,)))
    by_unit = spread("sd of load", priors.load_sd)
    unit = numpyro.sample("unit's load", normal().expand((n,)).to_event(1))
    load = (
        mean
        + treatment * (pool.treated - np.mean(pool.treated))
        + by_type * (given.share - given.share.mean(axis=0)) @ of_type
        + regrowth * given.months
        + by_member * member[pool.member]
        + winter[pool.winter]
        + by_unit * unit
    )

    growth = numpyro.sample("growth", normal(priors.growth_mu, priors.growth_sd))
    efficacy = numpyro.sample("efficacy", normal(priors.efficacy_mu, priors.efficacy_sd))
    on_the_day = (
        load[counts.rows] - growth * counts.days_before + efficacy * counts.treatments_between
    )
    is_board = counts.method < 0
    used = np.unique(counts.method[~is_board])
    centre, sd = np.transpose([priors.sensitivity[METHODS[k]] for k in used])
    found = numpyro.sample("logit of found share", normal(centre, sd).to_event(1))
    phi = numpyro.sample(
        "overdispersion", dist.LogNormal(priors.overdispersion_mu, priors.overdispersion_sd)
    )
    share = jax.nn.sigmoid(found)[np.searchsorted(used, counts.method[~is_board])]
    expected = counts.bees[~is_board] / 100 * share * jnp.exp(on_the_day[~is_board])
    numpyro.sample(
        "mites in samples",
        dist.NegativeBinomial2(expected, phi).to_event(1),
        obs=counts.mites[~is_board],
    )
    if is_board.any():
        rate = numpyro.sample(
            "board rate", dist.LogNormal(priors.board_rate_mu, priors.board_rate_sd)
        )
        phi = numpyro.sample(
            "board overdispersion",
            dist.LogNormal(priors.board_overdispersion_mu, priors.board_overdispersion_sd),
        )
        frame_days = counts.board_days[is_board] * pool.autumn_frames[counts.rows[is_board]]
        expected = frame_days * rate * jnp.exp(on_the_day[is_board])
        numpyro.sample(
            "mites on boards",
            dist.NegativeBinomial2(expected, phi).to_event(1),
            obs=counts.mites[is_board],
        )
    return load


def draw_effects(pool: Any, priors: Any) -> Draw:
    """Every effect of the linear predictors, each with the pool's outcomes first."""
    own = [priors.outcomes[outcome] for outcome in pool.outcomes]

    def scale(name: str) -> Any:
        return jnp.array([getattr(p, name) for p in own])

    def coefficients(name: str, prior: str, *size: int) -> Any:
        wide = scale(prior).reshape(-1, *(1 for _ in size))
        base = dist.Normal(0.0, jnp.broadcast_to(wide, (len(own), *size)))
        return numpyro.sample(name, base.to_event(1 + len(size)))

    made: Draw = {}
    made["intercept"] = numpyro.sample(
        "intercept", dist.Normal(scale("intercept_mu"), scale("intercept_sd")).to_event(1)
    )
    walk = dist.GaussianRandomWalk(scale("level_step_sd"), num_steps=3)
    made["level"] = numpyro.sample("level", walk.to_event(1))
    made["opening"] = coefficients("opening", "opening_sd")
    made["opening at level"] = coefficients("opening at level", "level_opening_sd", 3)
    made["cold at level"] = coefficients("cold at level", "level_cold_sd", 3)
    n_shares = len(pool.shares)
    made["member share"] = coefficients("member share", "member_share_sd", n_shares)
    made["apiary share"] = coefficients("apiary share", "apiary_share_sd", n_shares)
    for covariate in pool.covariates:
        name = f"slope of {covariate.name}"
        made[name] = coefficients(name, "slope_sd")
    made["slope of autumn stores"] = numpyro.sample(
        "slope of autumn stores", dist.Normal(0.0, own[SURVIVAL].slope_sd)
    )
    made["slope of mites"] = coefficients("slope of mites", "mite_slope_sd")

    lower = numpyro.sample(
        "correlation", dist.LKJCholesky(len(own), concentration=priors.correlation_eta)
    )
    sizes = {name: group_of_unit(pool, name)[1] for name in WHO_AND_WHERE}
    sizes |= {"level-winter": 3 * len(pool.winters), "full at apiary": len(pool.apiaries)}
    for name, n in sizes.items():
        prior = {
            "colony": "colony_sd",
            "level-winter": "level_winter_sd",
            "full at apiary": "apiary_full_sd",
        }.get(name, "group_sd")
        sd = numpyro.sample(
            f"sd of {name}", dist.LogNormal(jnp.log(0.6 * scale(prior)), 0.6).to_event(1)
        )
        unit = numpyro.sample(f"unit {name}", dist.Normal().expand((len(own), n)).to_event(2))
        made[name] = sd[:, None] * (lower @ unit if name in WHO_AND_WHERE else unit)
    winters = dist.ZeroSumNormal(1.0, (len(pool.winters),)).expand((len(own),)).to_event(1)
    made["winter"] = scale("winter_sd")[:, None] * numpyro.sample("unit winter", winters)
    return made


def predictor(pool: Any, draw: Draw, level: np.ndarray, opening: np.ndarray) -> Any:
    """Linear predictors of all units at a level and an opening; shape (outcome, unit).

    ``draw`` holds the effects, the covariates' values under ``values`` and the log loads under
    ``load``. Levels, openings and loads are measured from the pool as it was: so the intercept is
    the pool's average.
    """

    def from_none(effect: Any) -> Any:
        """Put the uninsulated level, whose effect is zero, before the others."""
        return jnp.pad(effect, [(0, 0), (1, 0)] + [(0, 0)] * (effect.ndim - 2))

    walk, values = from_none(draw["level"]), draw["values"]
    eta = draw["intercept"][:, None] + walk[:, level] - walk[:, pool.level].mean(1, keepdims=True)
    open_more = opening - np.mean(pool.opening)
    eta += (draw["opening"][:, None] + from_none(draw["opening at level"])[:, level]) * open_more
    eta += from_none(draw["cold at level"])[:, level] * values["cold"]
    eta += draw["member share"] @ pool.member_share[pool.member].T
    eta += draw["apiary share"] @ pool.apiary_share[pool.apiary].T
    for covariate in pool.covariates:
        eta += draw[f"slope of {covariate.name}"][:, None] * values[covariate.name]
    eta = eta.at[SURVIVAL].add(draw["slope of autumn stores"] * values["autumn stores"])
    eta += draw["slope of mites"][:, None] * (draw["load"] - draw["load"].mean())
    for grouping in WHO_AND_WHERE:
        eta += draw[grouping][:, group_of_unit(pool, grouping)[0]]
    eta += draw["winter"][:, pool.winter]
    by_winter = from_none(draw["level-winter"].reshape(3, 3, len(pool.winters)))
    eta += by_winter[:, level, pool.winter]
    return eta + draw["full at apiary"][:, pool.apiary] * (level == 3)


def joint_model(pool: Any, priors: Any) -> None:
    """The joint model of a packed pool, ``models.data.Pool``, with ``models.priors.Priors``."""
    draw = draw_effects(pool, priors)
    draw["values"] = draw_covariates(pool)
    draw["load"] = draw_mites(pool, priors.mites)
    eta = predictor(pool, draw, pool.level, pool.opening)

    seen, own = pool.observed["stores use"], priors.stores
    exponent = numpyro.sample("exponent", dist.Normal(own.exponent_mu, own.exponent_sd))
    cv = numpyro.sample("cv", dist.HalfNormal(own.cv_sd))
    mean = jnp.exp(eta[STORES, seen.rows] + exponent * pool.log_window[seen.rows])
    if np.ptp(pool.window_cold[seen.rows]) > 0:
        colder = numpyro.sample("colder window", dist.Normal(0.0, own.window_cold_sd))
        mean *= jnp.exp(colder * pool.window_cold[seen.rows])
    ledger = dist.StudentT(own.degrees_of_freedom, mean, jnp.hypot(seen.error, cv * mean))
    numpyro.sample("ledger", ledger.to_event(1), obs=seen.value)

    seen = pool.observed["survival"]
    alive = dist.BernoulliLogits(eta[SURVIVAL, seen.rows])
    numpyro.sample("alive", alive.to_event(1), obs=seen.value.astype(int))

    seen = pool.observed["spring strength"]
    cv = numpyro.sample("cv of frames", dist.HalfNormal(priors.strength.cv_sd))
    relative_variance = cv**2 + seen.error**2
    rate = jnp.exp(-eta[STRENGTH, seen.rows]) / relative_variance
    frames = dist.Gamma(1 / relative_variance, rate)
    numpyro.sample("frames", frames.to_event(1), obs=seen.value)

    for name in ("level-winter", *WHO_AND_WHERE, "full at apiary", "winter", "load"):
        numpyro.deterministic(f"effect: {name}", draw[name])
    for name, value in draw["values"].items():
        numpyro.deterministic(f"value: {name}", value)


def standardise(pool: Any, sampled: Draw) -> dict[tuple[str, str, str], np.ndarray]:
    """Compare the pool with every unit at one level with the pool uninsulated.

    Parameters
    ----------
    pool : models.data.Pool
    sampled : dict of str to array, shape (draw, ...)
        Parameters and deterministic values of ``joint_model``.

    Returns
    -------
    dict of (outcome, contrast, measure) to numpy.ndarray, shape (draw,)
        Above zero (or one) where insulation helps. Stores use is over the reference winter as if
        no colony died [kg]; survival in points; frames count a dead colony as zero.
    """
    n, shut = pool.n_units, np.zeros(pool.n_units)

    def pool_average(draw: Draw, level: np.ndarray, opening: np.ndarray) -> Any:
        def called(kind: str) -> Draw:
            return {k.removeprefix(kind): v for k, v in draw.items() if k.startswith(kind)}

        own = draw | called("effect: ") | {"values": called("value: ")}
        eta = predictor(pool, own, level, opening)
        alive = jax.nn.sigmoid(eta[SURVIVAL])
        frames = jnp.exp(eta[STRENGTH])
        each = jnp.stack([jnp.exp(eta[STORES]), alive, alive * frames])
        return each.mean(axis=1)

    @jax.jit
    def of_draws(draws: Draw, level: np.ndarray, opening: np.ndarray) -> Any:
        return jax.lax.map(lambda draw: pool_average(draw, level, opening), draws, batch_size=100)

    def averages(level: int, opening: np.ndarray) -> np.ndarray:
        return np.asarray(of_draws(sampled, np.full(n, level), opening)).T

    none = averages(0, pool.opening)
    compared = {
        f"{name} vs none": (none, averages(k, pool.opening))
        for k, name in enumerate(("top", "partial", "full"), start=1)
    }
    practised = pool.opening[pool.level == 0].mean()
    as_practised = (1 - practised) * averages(0, shut) + practised * averages(0, shut + 1)
    compared["full closed vs none"] = (as_practised, averages(3, shut))
    made = {}
    for contrast, (base, other) in compared.items():
        saved = base[STORES] - other[STORES]
        made["stores use", contrast, "difference"] = saved
        made["stores use", contrast, "percent"] = 100 * saved / base[STORES]
        points = 100 * (other[SURVIVAL] - base[SURVIVAL])
        made["survival", contrast, "difference"] = points
        made["survival", contrast, "ratio"] = other[SURVIVAL] / base[SURVIVAL]
        made["spring strength", contrast, "difference"] = other[STRENGTH] - base[STRENGTH]
    return made
