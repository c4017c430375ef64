"""The joint model: shared groups and mite load, one linear predictor, four parts."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models.data import LEVELS, STORES, STRENGTH, SURVIVAL, Pool
from models.parts.mites import add_mite_counts, add_mite_load, mite_coords
from models.parts.stores import add_stores
from models.parts.strength import add_strength
from models.parts.survival import add_survival
from models.predictor import base_predictor, design_of, exposure_effect, latent_covariates
from models.priors import Priors
from pipeline.errors import ModelError

Effects = dict[str, pt.TensorVariable]
OBSERVED_DIMS = {STORES: "stores_unit", SURVIVAL: "survival_unit", STRENGTH: "strength_unit"}


def _coords(pool: Pool) -> dict[str, list]:
    coords: dict[str, list] = {
        "outcome": list(pool.outcomes),
        "level": list(pool.levels),
        "level_above": list(pool.levels[1:]),
        "share": list(pool.shares),
        "unit": list(pool.unit_names),
        "member": list(pool.members),
        "apiary": list(pool.apiaries),
        "winter": list(pool.winters),
        "apiary_winter": list(pool.apiary_winters),
        "colony": list(pool.colonies),
        "covariate": [c.name for c in pool.covariates],
        "latent": list(range(latent_covariates(pool)[1])),
    }
    for outcome in pool.outcomes:
        rows = pool.observed[outcome].rows
        coords[OBSERVED_DIMS[outcome]] = [pool.unit_names[i] for i in rows]
    return coords | (mite_coords(pool) if pool.has("mites") else {})


def _with_reference(effect: pt.TensorVariable) -> pt.TensorVariable:
    """Put the lowest level's zero in front; axes (outcome, level_above, ...)."""
    return pt.concatenate([pt.zeros_like(effect[:, :1]), effect], axis=1)


def _add_levels(pool: Pool, sds: dict[str, np.ndarray]) -> Effects:
    """Add the level's random walk and what varies the level's effect."""
    position = np.array([LEVELS.index(level) for level in pool.levels])
    gaps = np.sqrt(np.diff(position))  # a missing level between makes a wider step
    p: Effects = {}
    step = pm.Normal(
        "level_step",
        0.0,
        sds["level_step_sd"][:, None] * gaps,
        dims=("outcome", "level_above"),
    )
    p["level_effect"] = pm.Deterministic(
        "level_effect", _with_reference(step.cumsum(axis=1)), dims=("outcome", "level")
    )

    def deviation(name: str, sd: np.ndarray) -> pt.TensorVariable:
        free = pm.Normal(name, 0.0, sd[:, None], dims=("outcome", "level_above"))
        return pm.Deterministic(f"{name}_effect", _with_reference(free), dims=("outcome", "level"))

    if pool.has("top opening"):
        p["opening_effect"] = pm.Normal("opening_effect", 0.0, sds["opening_sd"], dims="outcome")
        p["level_opening_effect"] = deviation("level_opening", sds["level_opening_sd"])
    if pool.has("cold"):
        p["level_cold_effect"] = deviation("level_cold", sds["level_cold_sd"])
    if pool.has("level by winter"):
        sd = pm.HalfNormal("level_winter_sd", sds["level_winter_sd"], dims="outcome")
        z = pm.Normal("level_winter_z", dims=("outcome", "level_above", "winter"))
        p["level_winter_effect"] = pm.Deterministic(
            "level_winter_effect",
            _with_reference(sd[:, None, None] * z),
            dims=("outcome", "level", "winter"),
        )
    if pool.has("apiary-varying full"):
        sd = pm.HalfNormal("apiary_full_sd", sds["apiary_full_sd"], dims="outcome")
        z = pm.Normal("apiary_full_z", dims=("outcome", "apiary"))
        p["apiary_full_effect"] = pm.Deterministic(
            "apiary_full_effect", sd[:, None] * z, dims=("outcome", "apiary")
        )
    return p


def _add_shares(pool: Pool, sds: dict[str, np.ndarray]) -> Effects:
    """Add the contextual terms, wide on purpose: only within-member contrasts count."""
    p: Effects = {}
    for group in ("member", "apiary"):
        if pool.has(f"{group} shares of levels"):
            coefficient = pm.Normal(
                f"{group}_share_slope",
                0.0,
                sds[f"{group}_share_sd"][:, None],
                dims=("outcome", "share"),
            )
            share = pool.member_share if group == "member" else pool.apiary_share
            p[f"{group}_context"] = pt.dot(coefficient, share.T)
    return p


def _add_groups(pool: Pool, sds: dict[str, np.ndarray], eta: float) -> Effects:
    """Add member, apiary, apiary-winter, colony and winter effects, non-centred.

    Member and apiary effects are correlated across outcomes (LKJ); the others are not.
    """
    p: Effects = {}
    n_outcomes = len(pool.outcomes)
    for group, part, scale in (
        ("member", "member effects", "group_sd"),
        ("apiary", "apiary effects", "group_sd"),
        ("apiary_winter", "apiary-winter effects", "group_sd"),
        ("colony", "colony effects", "colony_sd"),
    ):
        if not pool.has(part):
            continue
        z = pm.Normal(f"{group}_z", dims=("outcome", group))
        if group in ("member", "apiary") and n_outcomes > 1:
            cholesky, _, _ = pm.LKJCholeskyCov(
                f"{group}_cholesky",
                n=n_outcomes,
                eta=eta,
                sd_dist=pm.HalfNormal.dist(sds[scale], shape=n_outcomes),
                compute_corr=True,
            )
            effect = pt.dot(cholesky, z)
        else:
            sd = pm.HalfNormal(f"{group}_sd", sds[scale], dims="outcome")
            effect = sd[:, None] * z
        p[f"{group}_effect"] = pm.Deterministic(
            f"{group}_effect", effect, dims=("outcome", group)
        )
    if pool.has("winter effects"):
        unit = pm.ZeroSumNormal("winter_z", 1.0, dims=("outcome", "winter"))
        p["winter_effect"] = pm.Deterministic(
            "winter_effect", sds["winter_sd"][:, None] * unit, dims=("outcome", "winter")
        )
    return p


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
    sds = {
        f.name: np.array([getattr(c, f.name) for c in chosen])
        for f in fields(chosen[0])
    }
    with pm.Model(coords=_coords(pool)) as model:
        p: Effects = {
            "intercept": pm.Normal(
                "intercept", sds["intercept_mu"], sds["intercept_sd"], dims="outcome"
            )
        }
        p |= _add_levels(pool, sds) | _add_shares(pool, sds)
        p |= _add_groups(pool, sds, priors.correlation_eta)
        if pool.covariates:
            p["slope"] = pm.Normal(
                "slope", 0.0, sds["slope_sd"][:, None], dims=("outcome", "covariate")
            )
        if pool.autumn_stores is not None and SURVIVAL in pool.outcomes:
            p["autumn_stores_slope"] = pm.Normal(
                "autumn_stores_slope", 0.0, priors.outcomes[SURVIVAL].slope_sd
            )
        if latent_covariates(pool)[1]:
            p["covariate_z"] = pm.Normal("covariate_z", dims="latent")
        if pool.has("mites"):
            p |= add_mite_load(pool, priors.mites)
            p["mite_slope"] = pm.Normal("mite_slope", 0.0, sds["mite_slope_sd"], dims="outcome")
            add_mite_counts(pool, priors.mites, p["mite_load"])
        design = _data(pool)
        for o, outcome in enumerate(pool.outcomes):
            rows = pool.observed[outcome].rows
            own = design.take(rows)
            eta = base_predictor(p, own, o, outcome) + exposure_effect(
                p, own, o, pool.level[rows], pool.opening[rows]
            )
            if outcome == STORES:
                add_stores(pool, priors.stores, eta)
            elif outcome == SURVIVAL:
                add_survival(pool, eta)
            else:
                add_strength(pool, priors.strength, eta)
    return model


def _data(pool: Pool):
    return design_of(pool)
