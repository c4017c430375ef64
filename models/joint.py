"""The joint model: shared groups and mite load, one linear predictor, four parts."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models.data import Pool
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
)
from models.priors import OutcomePriors, Priors, add_spread
from models.vocabulary import LEVELS, STORES, STRENGTH, SURVIVAL
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


def coefficient_priors(
    pool: Pool, layout: Layout, priors: list[OutcomePriors]
) -> tuple[np.ndarray, np.ndarray]:
    """Means and scales of all coefficients, shape (outcome, term).

    A level missing between two others makes the step over it wider: the walk has one step for
    each of the design's levels.
    """
    mu = np.zeros((len(priors), len(layout.coefficients)))
    sd = np.array([[getattr(p, scale) for _, scale, _ in layout.coefficients] for p in priors])
    mu[:, layout.coefficient("intercept")] = [p.intercept_mu for p in priors]
    gaps = np.diff([LEVELS.index(level) for level in pool.levels])
    for level, gap in zip(pool.levels[1:], gaps, strict=True):
        sd[:, layout.coefficient("step to", level)] *= np.sqrt(gap)
    return mu, sd


def correlate(z: pt.TensorVariable, eta: float) -> pt.TensorVariable:
    """Correlate standard-normal rows, one an outcome, with an LKJ prior on the correlation.

    Parameters
    ----------
    z : TensorVariable, shape (outcome, group)
        One to three outcomes.
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


def _add_effects(pool: Pool, layout: Layout, priors: Priors) -> pt.TensorVariable:
    """Add coefficients, group effects (non-centred) and winters; shape (outcome, effect)."""
    chosen = [priors.outcomes[outcome] for outcome in pool.outcomes]
    mu, sd = coefficient_priors(pool, layout, chosen)
    parts = [pm.Normal("coefficient", mu, sd, dims=("outcome", "term"))]
    if layout.groupings:
        scales = [[getattr(p, s) for p in chosen] for s, _ in layout.groupings.values()]
        spread = add_spread("spread", np.array(scales), dims=("grouping", "outcome"))
        sizes = [len(names) for _, names in layout.groupings.values()]
        z = pm.Normal("group_z", dims=("outcome", "group"))
        if layout.n_correlated:
            together = correlate(z[:, : layout.n_correlated], priors.correlation_eta)
            z = pt.concatenate([together, z[:, layout.n_correlated :]], axis=1)
        effect = z * spread.T[:, np.repeat(np.arange(len(sizes)), sizes)]
        parts.append(pm.Deterministic("group_effect", effect, dims=("outcome", "group")))
    if layout.winters:
        winter_sd = np.array([[p.winter_sd] for p in chosen])
        z = pm.ZeroSumNormal("winter_z", 1.0, dims=("outcome", "winter"))
        parts.append(pm.Deterministic("winter_effect", winter_sd * z, dims=("outcome", "winter")))
    return pt.concatenate(parts, axis=1)


def observed_terms(pool: Pool, layout: Layout) -> Terms:
    """Terms of every observed outcome, one outcome's units below another's."""
    exposed = exposure_terms(pool, layout, pool.level, pool.opening)
    return Terms.below_each_other(
        [
            base_terms(pool, layout, outcome)
            .beside(exposed)
            .take(pool.observed[outcome].rows, effects_before=o * layout.n_effects)
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
    layout = layout_of(pool)
    # every parameter is kept in its range by a transform: checking again costs compilation
    with pm.Model(coords=_coords(pool, layout), check_bounds=False) as model:
        effects = _add_effects(pool, layout, priors)
        latent = [pm.Normal("covariate_z", dims="latent")] if latent_covariates(pool)[1] else []
        if pool.has("mites"):
            load, mean = add_mite_load(pool, priors.mites)
            add_mite_counts(pool, priors.mites, load)
            latent.append(load - mean)
        terms = observed_terms(pool, layout)
        if terms.latent_pick.shape[1] and not latent:
            latent = [pt.zeros(1)]  # covariates that are all exact
        eta = linear_predictor(
            effects.ravel(),
            pt.concatenate(latent) if latent else None,
            terms,
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
