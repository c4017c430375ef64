"""Where the sampler walks: coordinates in which the posterior is nearly round.

Coefficients, group effects and winters trade off along ridges (a member's effect against what
its share of levels explains, few winters against cold), on which chains crawl. The priors of all
of them, standardised, are independent unit normals ``u``; here a Gaussian approximation of their
posterior, made from the records once and by linear algebra alone, gives

    u = centre + factor @ r

and the sampler moves ``r``. Groupings with too many groups for that are only reflected, so that one
coordinate is their mean: it trades off with the intercept, and is rotated with it.

The model is not changed: the prior is still that of ``u`` and all maps are constant. Only the
number of steps between independent draws is smaller (``tests/benchmarks/sampling_speed.py``
measures it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csc_array, hstack

from models.data import Pool
from models.predictor import Layout, Terms
from models.priors import SPREAD_MEDIAN, OutcomePriors, Priors
from models.vocabulary import LEVELS, STORES, SURVIVAL

MOST_ROTATED = 120  # effects of one outcome; more cost more a step than they save in steps
STORES_CV, FRAMES_CV = 0.2, 0.35  # typical spreads of single colonies, for the approximation only


@dataclass(frozen=True, slots=True)
class Rotation:
    """The map from the sampler's coordinates to standardised effects.

    Attributes
    ----------
    rotated, rest : numpy.ndarray of int
        Positions, in the vector of standardised effects, of those that are rotated and of
        those left as they are.
    centre : numpy.ndarray, shape (outcome, rotated)
    factor : numpy.ndarray, shape (outcome, rotated, rotated)
    mirrors : dict of str to numpy.ndarray, shape (group,)
        A unit vector ``m`` for each grouping that is not rotated: its effects are reflected,
        ``u - 2 (m . u) m``, which maps their mean to its first place, and that is rotated.
    """

    rotated: np.ndarray
    rest: np.ndarray
    centre: np.ndarray
    factor: np.ndarray
    mirrors: dict[str, np.ndarray]


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


def winter_basis(n_winters: int) -> np.ndarray:
    """Return orthonormal columns that sum to zero; shape (winter, winter - 1)."""
    if n_winters < 2:
        return np.zeros((n_winters, 0))
    helmert = np.zeros((n_winters, n_winters - 1))
    for k in range(1, n_winters):
        helmert[:k, k - 1] = 1.0
        helmert[k, k - 1] = -k
    return helmert / np.linalg.norm(helmert, axis=0)


def _standardised_design(terms: Terms, scale: np.ndarray, layout: Layout) -> csc_array:
    """Design of some units per standardised effect, unknown values at their means.

    Sparse: a unit belongs to a handful of the groups, of which a large pool has thousands.
    """
    n_units, start = len(terms.fixed), layout.winter_start
    unit = np.repeat(np.arange(n_units), terms.pick.shape[1])
    groups = csc_array(
        (terms.weight.ravel(), (unit, terms.pick.ravel())), shape=(n_units, layout.n_effects)
    )
    fixed = csc_array(terms.fixed + terms.latent_mean @ terms.slope.T)
    fixed.resize(n_units, layout.n_effects)
    design = (groups + fixed) * scale
    winters = design[:, start:] @ winter_basis(len(layout.winters))
    return hstack([design[:, :start], csc_array(winters)], format="csc")


def _working_response(pool: Pool, outcome: str) -> tuple[np.ndarray, np.ndarray]:
    """Observed values on the link scale and their precision, for one weighted least squares."""
    seen = pool.observed[outcome]
    if outcome == SURVIVAL:
        share = float(np.clip(seen.value.mean(), 0.05, 0.95))
        weight = share * (1.0 - share)
        value = np.log(share / (1.0 - share)) + (seen.value - share) / weight
        return value, np.full(len(seen.rows), weight)
    least = 0.1 * float(np.median(seen.value))
    level = np.maximum(seen.value, max(least, 1e-3))
    if outcome == STORES:
        typical = max(float(np.median(seen.value)), 1e-3)
        value = np.log(level) - pool.log_window[seen.rows]
        return value, 1.0 / (STORES_CV**2 + (seen.error / typical) ** 2)
    return np.log(level), 1.0 / (FRAMES_CV**2 + seen.error**2)


def _chosen(layout: Layout) -> np.ndarray:
    """Which effects are rotated: coefficients, winters, then the smallest groupings."""
    n = layout.winter_start + max(len(layout.winters) - 1, 0)
    chosen = np.zeros(n, dtype=bool)
    chosen[: len(layout.coefficients)] = True
    chosen[layout.winter_start :] = True
    for grouping in sorted(layout.groupings, key=lambda g: len(layout.groupings[g][1])):
        if chosen.sum() + len(layout.groupings[grouping][1]) <= MOST_ROTATED:
            chosen[layout.groups(grouping)] = True
    return chosen


def _mirrors(layout: Layout, terms: Terms, chosen: np.ndarray) -> dict[str, np.ndarray]:
    """Vectors that reflect the mean of each grouping not rotated to its first place.

    Groups count by their units, as in what trades off with the intercept.
    """
    units = np.bincount(terms.pick.ravel(), terms.weight.ravel(), minlength=layout.n_effects)
    mirrors = {}
    for grouping in layout.groupings:
        place = layout.groups(grouping)
        if not chosen[place.start]:
            mirror = units[place] / np.linalg.norm(units[place])
            mirror[0] -= 1.0
            mirrors[grouping] = mirror / max(float(np.linalg.norm(mirror)), 1e-12)
    return mirrors


def _reflected(design: csc_array, layout: Layout, mirrors: dict[str, np.ndarray]) -> np.ndarray:
    """Design per mean of each mirrored grouping; shape (unit, mirrored grouping)."""
    means = np.zeros((design.shape[1], len(mirrors)))
    for k, (grouping, mirror) in enumerate(mirrors.items()):
        place = layout.groups(grouping)
        means[place, k] = -2.0 * mirror[0] * mirror
        means[place.start, k] += 1.0
    return np.asarray(design @ means)


def rotation_of(pool: Pool, layout: Layout, terms: dict[str, Terms], priors: Priors) -> Rotation:
    """Approximate the posterior of the standardised effects and take its shape.

    Parameters
    ----------
    pool : Pool
    layout : Layout
    terms : dict of str to Terms
        By outcome, of all units.
    priors : Priors

    Returns
    -------
    Rotation
        Spreads between groups stand at their prior medians; groupings that are not rotated add
        to the noise.
    """
    own = [priors.outcomes[outcome] for outcome in pool.outcomes]
    chosen = _chosen(layout)
    mirrors = _mirrors(layout, next(iter(terms.values())), chosen)
    first = np.array([layout.groups(grouping).start for grouping in mirrors], dtype=int)
    rotated = np.sort(np.concatenate([np.flatnonzero(chosen), first]))
    column = np.searchsorted(rotated, first)
    _, sd = coefficient_priors(pool, layout, own)
    centres, factors = [], []
    for o, outcome in enumerate(pool.outcomes):
        groups = [
            np.full(len(names), SPREAD_MEDIAN * getattr(own[o], scale))
            for scale, names in layout.groupings.values()
        ]
        winters = np.full(len(layout.winters), own[o].winter_sd)
        observed = terms[outcome].take(pool.observed[outcome].rows)
        design = _standardised_design(observed, np.concatenate([sd[o], *groups, winters]), layout)
        value, precision = _working_response(pool, outcome)
        kept = design[:, rotated].toarray()
        kept[:, column] = _reflected(design, layout, mirrors)
        left = (design[:, ~chosen] ** 2).sum(axis=1) - (kept[:, column] ** 2).sum(axis=1)
        noise = 1.0 / precision + np.maximum(left, 0.0)
        kept /= np.sqrt(noise)[:, None]
        residual = (value - own[o].intercept_mu) / np.sqrt(noise)
        lower = np.linalg.cholesky(np.eye(kept.shape[1]) + kept.T @ kept)
        inverse = np.linalg.inv(lower)
        centres.append(inverse.T @ (inverse @ (kept.T @ residual)))
        factors.append(inverse.T)
    rest = np.setdiff1d(np.arange(len(chosen)), rotated)
    return Rotation(rotated, rest, np.array(centres), np.array(factors), mirrors)
