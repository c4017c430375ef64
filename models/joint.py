"""The joint model: shared groups and mite load, one linear predictor, four parts."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models.data import LEVELS, STORES, STRENGTH, SURVIVAL, Pool
from models.parts.mites import add_mite_counts, add_mite_load, mite_coords
from models.parts.stores import add_stores
from models.parts.strength import add_strength
from models.parts.survival import add_survival
from models.predictor import (
    Layout,
    Terms,
    base_terms,
    exposure_terms,
    latent_covariates,
    layout_of,
    linear_predictor,
    stack_effects,
)
from models.priors import Priors, add_spread, spread_prior
from pipeline.errors import ModelError

Effects = dict[str, pt.TensorVariable]
OBSERVED_DIMS = {STORES: "stores_unit", SURVIVAL: "survival_unit", STRENGTH: "strength_unit"}
# groupings whose spread is learnt without correlation across outcomes: part, prior, dimension
GROUPINGS = {
    "apiary_winter": ("apiary-winter effects", "group_sd", "apiary_winter"),
    "colony": ("colony effects", "colony_sd", "colony"),
    "level_winter": ("level by winter", "level_winter_sd", "level_winter"),
    "apiary_full": ("apiary-varying full", "apiary_full_sd", "apiary"),
}


def _coords(pool: Pool) -> dict[str, list]:
    coords: dict[str, list] = {
        "outcome": list(pool.outcomes),
        "level_above": list(pool.levels[1:]),
        "share": list(pool.shares),
        "unit": list(pool.unit_names),
        "member": list(pool.members),
        "apiary": list(pool.apiaries),
        "winter": list(pool.winters),
        "apiary_winter": list(pool.apiary_winters),
        "colony": list(pool.colonies),
        "level_winter": [f"{a} {w}" for a in pool.levels[1:] for w in pool.winters],
        "covariate": [c.name for c in pool.covariates],
        "latent": list(range(latent_covariates(pool)[1])),
        "grouping": [g for g, rule in GROUPINGS.items() if pool.has(rule[0])],
    }
    for outcome in pool.outcomes:
        rows = pool.observed[outcome].rows
        coords[OBSERVED_DIMS[outcome]] = [pool.unit_names[i] for i in rows]
    return coords | (mite_coords(pool) if pool.has("mites") else {})


def _add_levels(pool: Pool, sds: dict[str, np.ndarray]) -> Effects:
    """Add the level's random walk, the opening and how they bend with each other and cold."""
    position = np.array([LEVELS.index(level) for level in pool.levels])
    gaps = np.sqrt(np.diff(position))  # a missing level between makes a wider step
    above = ("outcome", "level_above")
    step = pm.Normal("level_step", 0.0, sds["level_step_sd"][:, None] * gaps, dims=above)
    p: Effects = {"level_effect": pm.Deterministic("level_effect", step.cumsum(axis=1), dims=above)}
    if pool.has("top opening"):
        opening = pm.Normal("opening_effect", 0.0, sds["opening_sd"], dims="outcome")
        p["opening_effect"] = opening[:, None]
        p["level_opening_effect"] = pm.Normal(
            "level_opening_effect", 0.0, sds["level_opening_sd"][:, None], dims=above
        )
    if pool.has("cold"):
        p["level_cold_effect"] = pm.Normal(
            "level_cold_effect", 0.0, sds["level_cold_sd"][:, None], dims=above
        )
    return p


def _add_shares(pool: Pool, sds: dict[str, np.ndarray]) -> Effects:
    """Add the contextual terms, wide on purpose: only within-member contrasts count."""
    p: Effects = {}
    for group, share in (("member", pool.member_share), ("apiary", pool.apiary_share)):
        if pool.has(f"{group} shares of levels"):
            slope = pm.Normal(
                f"{group}_share_slope",
                0.0,
                sds[f"{group}_share_sd"][:, None],
                dims=("outcome", "share"),
            )
            p[f"{group}_context"] = pt.dot(slope, share.T)
    return p


def _add_groups(pool: Pool, sds: dict[str, np.ndarray], eta: float) -> Effects:
    """Add group effects, non-centred.

    Member and apiary effects are correlated across outcomes (LKJ); the others are not.
    """
    p: Effects = {}
    n_outcomes = len(pool.outcomes)
    for group in ("member", "apiary"):
        if not pool.has(f"{group} effects"):
            continue
        z = pm.Normal(f"{group}_z", dims=("outcome", group))
        if n_outcomes > 1:
            scale, _, _ = pm.LKJCholeskyCov(
                f"{group}_cholesky",
                n=n_outcomes,
                eta=eta,
                sd_dist=spread_prior(sds["group_sd"]),
                compute_corr=True,
            )
        else:
            scale = add_spread(f"{group}_sd", sds["group_sd"], dims="outcome")[:, None]
        effect = pt.dot(scale, z)
        p[f"{group}_effect"] = pm.Deterministic(f"{group}_effect", effect, dims=("outcome", group))
    groupings = [g for g, rule in GROUPINGS.items() if pool.has(rule[0])]
    if groupings:
        scales = np.array([sds[GROUPINGS[g][1]] for g in groupings])
        sd = add_spread("grouping_sd", scales, dims=("grouping", "outcome"))
        for k, group in enumerate(groupings):
            dims = ("outcome", GROUPINGS[group][2])
            z = pm.Normal(f"{group}_z", dims=dims)
            p[f"{group}_effect"] = pm.Deterministic(
                f"{group}_effect", sd[k][:, None] * z, dims=dims
            )
    if pool.has("winter effects"):
        z = pm.ZeroSumNormal("winter_z", 1.0, dims=("outcome", "winter"))
        p["winter_effect"] = pm.Deterministic(
            "winter_effect", sds["winter_sd"][:, None] * z, dims=("outcome", "winter")
        )
    return p


def _add_slopes(pool: Pool, sds: dict[str, np.ndarray]) -> Effects:
    """Add the slopes of covariates; autumn stores speak to survival only."""
    p: Effects = {}
    if pool.covariates:
        p["slope"] = pm.Normal(
            "slope", 0.0, sds["slope_sd"][:, None], dims=("outcome", "covariate")
        )
    if pool.autumn_stores is not None and SURVIVAL in pool.outcomes:
        is_survival = np.array([[float(outcome == SURVIVAL)] for outcome in pool.outcomes])
        sd = sds["slope_sd"][pool.outcomes.index(SURVIVAL)]
        p["autumn_stores_effect"] = pm.Normal("autumn_stores_slope", 0.0, sd) * is_survival
    return p


def observed_terms(pool: Pool, layout: Layout) -> Terms:
    """Terms of every observed outcome, one outcome's units below another's."""
    every = base_terms(pool, layout).beside(
        exposure_terms(pool, layout, pool.level, pool.opening)
    )
    return Terms.below_each_other(
        [
            every.take(pool.observed[outcome].rows, effects_before=o * layout.n_effects)
            for o, outcome in enumerate(pool.outcomes)
        ]
    )


def build_joint_model(pool: Pool, priors: Priors | None = None) -> pm.Model:
    """Assemble the joint model of the parts that the records can carry.

    Parameters
    ----------
    pool : Pool
    priors : Priors, optional
        The defaults of ``models/priors.py`` unless given.

    Returns
    -------
    pymc.Model

    Raises
    ------
    ModelError
        No outcome is recorded often enough, or fewer than two levels are.
    """
    priors = priors or Priors()
    if not pool.outcomes or len(pool.levels) < 2:
        raise ModelError(
            "There is nothing to model: no outcome is recorded often enough, or all colonies "
            "have the same insulation level.",
            mend="Send records of more colonies, at two levels at least.",
        )
    chosen = [priors.outcomes[outcome] for outcome in pool.outcomes]
    sds = {f.name: np.array([getattr(c, f.name) for c in chosen]) for f in fields(chosen[0])}
    layout = layout_of(pool)
    with pm.Model(coords=_coords(pool)) as model:
        intercept = pm.Normal(
            "intercept", sds["intercept_mu"], sds["intercept_sd"], dims="outcome"
        )
        p: Effects = {"intercept": intercept[:, None]}
        p |= _add_levels(pool, sds) | _add_shares(pool, sds)
        p |= _add_groups(pool, sds, priors.correlation_eta) | _add_slopes(pool, sds)
        latent = [pm.Normal("covariate_z", dims="latent")] if latent_covariates(pool)[1] else []
        if pool.has("mites"):
            slope = pm.Normal("mite_slope", 0.0, sds["mite_slope_sd"], dims="outcome")
            p["mite_slope"] = slope[:, None]
            load, mean = add_mite_load(pool, priors.mites)
            add_mite_counts(pool, priors.mites, load)
            latent.append(load - mean)
        terms = observed_terms(pool, layout)
        symbols = Terms(*(pm.Data(f"term_{n}", getattr(terms, n)) for n in Terms.__slots__))
        eta = linear_predictor(
            stack_effects(p, layout, pt).ravel(),
            pt.concatenate(latent) if latent else pt.zeros(1),
            symbols if terms.latent_pick.shape[1] else terms,
        )
        start = 0
        for outcome in pool.outcomes:
            stop = start + len(pool.observed[outcome].rows)
            if outcome == STORES:
                add_stores(pool, priors.stores, eta[start:stop])
            elif outcome == SURVIVAL:
                add_survival(pool, eta[start:stop])
            else:
                add_strength(pool, priors.strength, eta[start:stop])
            start = stop
    return model
