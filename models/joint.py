"""The joint model: shared groups and mite load, one linear predictor, four parts."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models.data import Pool
from models.design import design_of, product, sampled_predictor
from models.geometry import Rotation, coefficient_priors, rotation_of, winter_basis
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
)
from models.priors import Priors
from models.spreads import add_spread
from models.vocabulary import STORES, STRENGTH, SURVIVAL, by_information
from pipeline.errors import ModelError

OBSERVED_DIMS = {STORES: "stores_unit", SURVIVAL: "survival_unit", STRENGTH: "strength_unit"}


def _coords(pool: Pool, layout: Layout) -> dict[str, list]:
    coords: dict[str, list] = {
        "outcome": list(pool.outcomes),
        "term": layout.names,
        "grouping": list(layout.groupings),
        "group": [f"{g} {name}" for g, (_, names) in layout.groupings.items() for name in names],
        "unit": list(pool.unit_names),
        "member": list(pool.members),
        "winter": list(pool.winters),
        "latent": list(range(latent_covariates(pool)[1])),
    }
    for outcome in pool.outcomes:
        rows = pool.observed[outcome].rows
        coords[OBSERVED_DIMS[outcome]] = [pool.unit_names[i] for i in rows]
    return coords | (mite_coords(pool) if pool.has("mites") else {})


def correlate(z: pt.TensorVariable, eta: float) -> pt.TensorVariable:
    """Correlate standard-normal rows, one an outcome, with an LKJ prior on the correlation.

    Parameters
    ----------
    z : TensorVariable, shape (outcome, group)
        One to three outcomes. Mixes best with those first of whose groups records tell most: what
        tells little of a group then tells little of the correlations, given the group's effects.
    eta : float
        The LKJ distribution's shape; above 1 favours weak correlation.

    Returns
    -------
    TensorVariable, shape (outcome, group)

    Notes
    -----
    Built from canonical partial correlations, whose priors are Beta distributions on (-1, 1);
    for three outcomes the first tree of the vine has shape eta + 1/2, the second eta.

    References
    ----------
    Lewandowski, Kurowicka, Joe (2009), "Generating random correlation matrices based on vines
    and extended onion method", J. Multivariate Anal. 100:1989-2001 (from memory).
    """
    n_outcomes = len(pm.modelcontext(None).coords["outcome"])
    if n_outcomes == 1:
        return z
    shape = {2: [eta], 3: [eta + 0.5, eta + 0.5, eta]}[n_outcomes]
    unit = pm.Beta("partial_correlation_unit", alpha=shape, beta=shape, shape=len(shape))
    r = pm.Deterministic("partial_correlation", 2.0 * unit - 1.0)
    rest = pt.sqrt(1.0 - r**2)
    rows = [z[0], r[0] * z[0] + rest[0] * z[1]]
    if n_outcomes == 3:
        rows.append(r[1] * z[0] + rest[1] * (r[2] * z[1] + rest[2] * z[2]))
    return pt.stack(rows)


def _moved(layout: Layout, rotation: Rotation) -> pt.TensorVariable:
    """Add the sampler's coordinates, without a prior, and map them; shape (outcome, effect)."""
    n_outcomes, n_rotated = rotation.centre.shape
    factor = pm.Data("rotation_factor", rotation.factor)
    coordinates = pm.Flat("rotated", shape=(n_outcomes, n_rotated))
    moved = pm.Data("rotation_centre", rotation.centre) + product(coordinates, factor)
    if not rotation.mirrors:
        return moved
    rest = pm.Flat("rest", shape=(n_outcomes, len(rotation.rest)))
    n_terms = len(layout.coefficients)
    parts, at, at_rest = [moved[:, :n_terms]], n_terms, 0
    for grouping, (_, names) in layout.groupings.items():
        if grouping in rotation.mirrors:
            mirror = pm.Data(f"mirror of {grouping}", rotation.mirrors[grouping])
            others = rest[:, at_rest : at_rest + len(names) - 1]
            own = pt.concatenate([moved[:, at : at + 1], others], axis=1)
            own = own - 2.0 * product(own, mirror[None]) * mirror
            at, at_rest = at + 1, at_rest + len(names) - 1
        else:
            own = moved[:, at : at + len(names)]
            at += len(names)
        parts.append(own)
    return pt.concatenate([*parts, moved[:, at:]], axis=1)


def _add_effects(
    pool: Pool, layout: Layout, priors: Priors, rotation: Rotation | None
) -> pt.TensorVariable:
    """Add coefficients, group effects (non-centred) and winters; shape (outcome, effect)."""
    chosen = [priors.outcomes[outcome] for outcome in pool.outcomes]
    mu, sd = coefficient_priors(pool, layout, chosen)
    n_terms, start = len(layout.coefficients), layout.winter_start
    basis = winter_basis(len(layout.winters))
    n = start + basis.shape[1]
    if rotation is None:
        u = pm.Normal("standardised", shape=(len(chosen), n))
    else:
        u = _moved(layout, rotation)
        pm.Potential("prior_of_moved", -0.5 * pt.sum(u**2))
    mu, sd = pm.Data("coefficient_mu", mu), pm.Data("coefficient_sd", sd)
    parts = [pm.Deterministic("coefficient", mu + sd * u[:, :n_terms], dims=("outcome", "term"))]
    if layout.groupings:
        scales = [[getattr(p, s) for p in chosen] for s, _ in layout.groupings.values()]
        spread = add_spread("spread", np.array(scales), dims=("grouping", "outcome"))
        sizes = [len(names) for _, names in layout.groupings.values()]
        z = u[:, n_terms:start]
        if layout.n_correlated:
            order = by_information(pool.outcomes)
            together = correlate(z[order, : layout.n_correlated], priors.correlation_eta)
            together = together[np.argsort(order)]
            z = pt.concatenate([together, z[:, layout.n_correlated :]], axis=1)
        effect = z * spread.T[:, np.repeat(np.arange(len(sizes)), sizes)]
        parts.append(pm.Deterministic("group_effect", effect, dims=("outcome", "group")))
    if layout.winters:
        winter_sd = np.array([[p.winter_sd] for p in chosen])
        effect = winter_sd * product(u[:, start:], basis)
        parts.append(pm.Deterministic("winter_effect", effect, dims=("outcome", "winter")))
    return pt.concatenate(parts, axis=1)


def terms_of(pool: Pool, layout: Layout) -> dict[str, Terms]:
    """Terms of every unit as it was, by outcome; outcomes differ in their slopes alone."""
    exposed = exposure_terms(pool, layout, pool.level, pool.opening)
    return {o: base_terms(pool, layout, o).beside(exposed) for o in pool.outcomes}


def build_mite_model(pool: Pool, priors: Priors | None = None) -> pm.Model:
    """Assemble the mite part alone: loads of all units, learnt from counts and treatments.

    Raises
    ------
    ModelError
        The pool's records cannot carry the part.
    """
    if not pool.has("mites"):
        raise ModelError(
            "Mites are not in the model: too few colonies were counted.",
            mend="Send mite counts of more colonies.",
        )
    priors = priors or Priors()
    with pm.Model(coords=_coords(pool, layout_of(pool)), check_bounds=False) as model:
        add_mite_counts(pool, priors.mites, add_mite_load(pool, priors.mites))
    return model


def build_joint_model(
    pool: Pool,
    priors: Priors | None = None,
    *,
    is_rotated: bool = True,
    given_load: np.ndarray | None = None,
) -> pm.Model:
    """Assemble the joint model of the parts that the records can carry.

    Parameters
    ----------
    pool : Pool
    priors : Priors, optional
        The defaults of ``models/priors.py`` unless given.
    is_rotated : bool
        Let the sampler move in the coordinates of ``models/geometry.py``. Without them the same
        model is slower to sample; draws from its prior need them off.

    Returns
    -------
    pymc.Model

    Raises
    ------
    ModelError
        No outcome is recorded often enough, or fewer than two levels are.
    """
    priors = priors or Priors()
    if not pool.outcomes or (len(pool.levels) < 2 and "dose" not in pool.parts):
        raise ModelError(
            "There is nothing to model: no outcome is recorded often enough, or all colonies "
            "have the same insulation level.",
            mend="Send records of more colonies, at two levels at least.",
        )
    layout = layout_of(pool)
    terms = terms_of(pool, layout)
    rotation = rotation_of(pool, layout, terms, priors) if is_rotated else None
    # every parameter is kept in its range by a transform: checking again costs compilation
    with pm.Model(coords=_coords(pool, layout), check_bounds=False) as model:
        effects = _add_effects(pool, layout, priors, rotation)
        latent = [pm.Normal("covariate_z", dims="latent")] if latent_covariates(pool)[1] else []
        if pool.has("mites"):
            if given_load is None:
                load = add_mite_load(pool, priors.mites)
                add_mite_counts(pool, priors.mites, load)
            else:
                given = pm.Data("given_load", given_load)
                load = pm.Deterministic("mite_load", given, dims="unit")
            latent.append(load - load.mean())
        unknown = pt.concatenate(latent) if latent else None
        eta = sampled_predictor(effects, unknown, design_of(terms))
        for o, outcome in enumerate(pool.outcomes):
            own = eta[o][pm.Data(f"{OBSERVED_DIMS[outcome]}_row", pool.observed[outcome].rows)]
            if outcome == STORES:
                add_stores(pool, priors.stores, own)
            elif outcome == SURVIVAL:
                add_survival(pool, own)
            else:
                add_strength(pool, priors.strength, own)
    return model
