"""The linear predictor: which terms a unit has, and their sum over draws.

All effects of one outcome stand in one vector (``Layout`` names the places): coefficients with
a fixed prior, effects of groups, effects of winters. A unit's predictor is

    eta = fixed . coefficients                              what is known of the unit
        + sum_k weight_k * effects[pick_k]                  its groups and its winter
        + sum_j slope_j * (mean_j + sd_j * latent[place_j])  covariates with gaps or errors, mites

So the whole design is a few tables. That lets ``estimands`` ask what would have been under
another level by changing tables alone; ``models/design.py`` writes the same sum for the sampler.
A part that the records cannot carry has no places.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from models.data import Pool
from models.vocabulary import SURVIVAL


@dataclass(frozen=True, slots=True)
class Terms:
    """The design of some units for one outcome.

    Attributes
    ----------
    fixed : float, shape (unit, coefficient)
        Weight of every coefficient.
    pick : int, shape (unit, pick)
        Positions, in the vector of effects, of the unit's groups and winter.
    weight : float, shape (unit, pick)
    slope : float, shape (coefficient, column)
        1 where the coefficient is the slope of the column.
    latent_mean, latent_sd : float, shape (unit, column)
    latent_place : int, shape (unit, column)
        Positions in the vector of latent values.
    """

    fixed: np.ndarray
    pick: np.ndarray
    weight: np.ndarray
    slope: np.ndarray
    latent_mean: np.ndarray
    latent_sd: np.ndarray
    latent_place: np.ndarray

    def beside(self, other: Terms) -> Terms:
        """Return both sets of terms of the same units."""
        joined = {
            n: np.concatenate([getattr(self, n), getattr(other, n)], axis=1)
            for n in ("pick", "weight", "slope", "latent_mean", "latent_sd", "latent_place")
        }
        return Terms(fixed=self.fixed + other.fixed, **joined)

    def take(self, rows: np.ndarray) -> Terms:
        """Return the terms of some units."""
        taken = {f.name: getattr(self, f.name) for f in fields(self)}
        return Terms(**{n: v if n == "slope" else v[rows] for n, v in taken.items()})


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each effect stands in the vector.

    Attributes
    ----------
    coefficients : tuple of (str, str, str)
        Name, the prior's scale (a field of ``OutcomePriors``) and what it belongs to (a level,
        a covariate, or nothing); they come first.
    groupings : dict of str to (scale, names)
        Groupings whose spread is learnt and the groups of each; they come second.
    correlated : tuple of str
        The first groupings, which every unit belongs to: correlated across outcomes.
    winters : tuple
        Winters with an effect of their own; they come last.
    """

    coefficients: tuple[tuple[str, str, str], ...]
    groupings: dict[str, tuple[str, tuple[str, ...]]]
    correlated: tuple[str, ...]
    winters: tuple[int, ...]

    @property
    def names(self) -> list[str]:
        """Coefficients as they are called in the posterior."""
        return [f"{name} {of}".strip() for name, _, of in self.coefficients]

    @property
    def n_correlated(self) -> int:
        """Groups of the correlated groupings."""
        return sum(len(self.groupings[name][1]) for name in self.correlated)

    @property
    def n_groups(self) -> int:
        """Groups of all groupings."""
        return sum(len(names) for _, names in self.groupings.values())

    @property
    def n_effects(self) -> int:
        """Effects of one outcome."""
        return len(self.coefficients) + self.n_groups + len(self.winters)

    def has(self, name: str) -> bool:
        """Whether a coefficient (without what it belongs to) or grouping has a place."""
        return name in self.groupings or any(n == name for n, _, _ in self.coefficients)

    def coefficient(self, name: str, of: str = "") -> int:
        """Position of a coefficient."""
        return [(n, o) for n, _, o in self.coefficients].index((name, of))

    def groups(self, grouping: str) -> slice:
        """Positions of the groups of a grouping."""
        start = len(self.coefficients)
        for name, (_, names) in self.groupings.items():
            if name == grouping:
                return slice(start, start + len(names))
            start += len(names)
        raise KeyError(grouping)

    @property
    def winter_start(self) -> int:
        """Position of the first winter's effect."""
        return len(self.coefficients) + self.n_groups


def layout_of(pool: Pool) -> Layout:
    """Return the effects that a pool's model has."""
    above = pool.levels[1:]
    made = [("intercept", "intercept_sd", "")]
    made += [("step to", "level_step_sd", level) for level in above]
    if pool.has("top opening"):
        made.append(("top opening", "opening_sd", ""))
        made += [("top opening at", "level_opening_sd", level) for level in above]
    if pool.has("cold"):
        made += [("cold at", "level_cold_sd", level) for level in above]
    for group in ("member", "apiary"):
        if pool.has(f"{group} shares of levels"):
            made += [(f"{group} share", f"{group}_share_sd", share) for share in pool.shares]
    made += [("slope of", "slope_sd", covariate.name) for covariate in pool.covariates]
    if pool.autumn_stores is not None and SURVIVAL in pool.outcomes:
        made.append(("slope of", "slope_sd", "autumn stores"))
    if pool.has("mites"):
        made.append(("slope of", "mite_slope_sd", "mites"))

    cells = tuple(f"{level} {winter}" for level in above for winter in pool.winters)
    rules = {  # the first four say who and where: correlated across outcomes
        "member": ("member effects", "group_sd", pool.members),
        "apiary": ("apiary effects", "group_sd", pool.apiaries),
        "apiary-winter": ("apiary-winter effects", "group_sd", pool.apiary_winters),
        "colony": ("colony effects", "colony_sd", pool.colonies),
        "level-winter": ("level by winter", "level_winter_sd", cells),
        "full at apiary": ("apiary-varying full", "apiary_full_sd", pool.apiaries),
    }
    groupings = {
        name: (scale, names) for name, (part, scale, names) in rules.items() if pool.has(part)
    }
    return Layout(
        coefficients=tuple(made),
        groupings=groupings,
        correlated=tuple(k for k in list(rules)[:4] if k in groupings),
        winters=pool.winters if pool.has("winter effects") else (),
    )


def latent_covariates(pool: Pool) -> tuple[list[np.ndarray], int]:
    """Number the unknowns behind the covariates, autumn stores last.

    Returns
    -------
    places : list of numpy.ndarray of int, shape (unit,)
        Position of each value's unknown; 0 where the value is exact (its sd is 0).
    count : int
        Unknowns in all.
    """
    every = [*pool.covariates, *([pool.autumn_stores] if pool.autumn_stores else [])]
    places, count = [], 0
    for covariate in every:
        uncertain = covariate.sd > 0
        labels, index = np.unique(covariate.place[uncertain], return_inverse=True)
        place = np.zeros(pool.n_units, dtype=int)
        place[uncertain] = count + index
        count += len(labels)
        places.append(place)
    return places, count


class _Table:
    """Collects terms of all units; every value is broadcast to the units."""

    def __init__(self, pool: Pool, layout: Layout) -> None:
        self.n_units, self.n_coefficients = pool.n_units, len(layout.coefficients)
        self.fixed = np.zeros((pool.n_units, self.n_coefficients))
        self.picks: list[tuple[Any, Any]] = []
        self.columns: list[tuple[Any, Any, Any]] = []
        self.slopes: list[tuple[int, float]] = []

    def add(self, coefficient: int, weight: Any) -> None:
        self.fixed[:, coefficient] += weight

    def pick(self, position: Any, weight: Any = 1.0) -> None:
        self.picks.append((position, weight))

    def latent(
        self, coefficient: int, mean: Any, sd: Any, place: Any, *, counts: bool = True
    ) -> None:
        self.columns.append((mean, sd, place))
        self.slopes.append((coefficient, float(counts)))

    def _stack(self, rows: list[Any], dtype: type) -> np.ndarray:
        made = [np.broadcast_to(np.asarray(row, dtype=dtype), self.n_units) for row in rows]
        return np.column_stack(made) if made else np.zeros((self.n_units, 0), dtype=dtype)

    def terms(self) -> Terms:
        slope = np.zeros((self.n_coefficients, len(self.columns)))
        for k, (coefficient, counts) in enumerate(self.slopes):
            slope[coefficient, k] = counts
        return Terms(
            fixed=self.fixed,
            pick=self._stack([p for p, _ in self.picks], int),
            weight=self._stack([w for _, w in self.picks], float),
            slope=slope,
            latent_mean=self._stack([mean for mean, _, _ in self.columns], float),
            latent_sd=self._stack([sd for _, sd, _ in self.columns], float),
            latent_place=self._stack([place for _, _, place in self.columns], int),
        )


def base_terms(pool: Pool, layout: Layout, outcome: str) -> Terms:
    """Everything but the level and the opening: groups, shares, covariates, mites.

    Autumn stores speak to survival only: elsewhere they have no slope.
    """
    table = _Table(pool, layout)
    table.add(layout.coefficient("intercept"), 1.0)
    for group, index, share in (
        ("member", pool.member, pool.member_share),
        ("apiary", pool.apiary, pool.apiary_share),
    ):
        if layout.has(f"{group} share"):
            for k, name in enumerate(pool.shares):
                table.add(layout.coefficient(f"{group} share", name), share[index, k])
    for grouping, index in (
        ("member", pool.member),
        ("apiary", pool.apiary),
        ("apiary-winter", pool.apiary_winter),
        ("colony", pool.colony),
    ):
        if layout.has(grouping):
            table.pick(layout.groups(grouping).start + index)
    if layout.winters:
        table.pick(layout.winter_start + pool.winter)
    places, n_latent = latent_covariates(pool)
    for k, covariate in enumerate(pool.covariates):
        at = layout.coefficient("slope of", covariate.name)
        table.latent(at, covariate.mean, covariate.sd, places[k])
    if pool.autumn_stores is not None and SURVIVAL in pool.outcomes:
        stores, at = pool.autumn_stores, layout.coefficient("slope of", "autumn stores")
        table.latent(at, stores.mean, stores.sd, places[-1], counts=outcome == SURVIVAL)
    if pool.has("mites"):
        unit = n_latent + np.arange(pool.n_units)  # loads stand behind the covariates' unknowns
        table.latent(layout.coefficient("slope of", "mites"), 0.0, 1.0, unit)
    return table.terms()


def exposure_terms(pool: Pool, layout: Layout, level: np.ndarray, opening: np.ndarray) -> Terms:
    """What the level and the opening add, as they were or as they might have been.

    Parameters
    ----------
    pool : Pool
    layout : Layout
    level : numpy.ndarray of int, shape (unit,)
        Index into ``pool.levels``.
    opening : numpy.ndarray of float, shape (unit,)
        1 open, 0 closed; its effects are centred on the pool's share.

    Returns
    -------
    Terms
        The level's effect is the sum of the steps up to it, centred on the pool: so the
        intercept is the pool's average and not the lowest level's, which mixed worse.
    """
    table = _Table(pool, layout)
    centred = opening - pool.opening.mean()
    if layout.has("top opening"):
        table.add(layout.coefficient("top opening"), centred)
    cold = next((k for k, c in enumerate(pool.covariates) if c.name == "cold"), None)
    for k, name in enumerate(pool.levels[1:], start=1):
        is_at = (level == k).astype(float)
        table.add(layout.coefficient("step to", name), (level >= k) - (pool.level >= k).mean())
        if layout.has("top opening"):
            table.add(layout.coefficient("top opening at", name), is_at * centred)
        if layout.has("cold at") and cold is not None:
            covariate, place = pool.covariates[cold], latent_covariates(pool)[0][cold]
            at = layout.coefficient("cold at", name)
            table.latent(at, is_at * covariate.mean, is_at * covariate.sd, place)
    if layout.has("level-winter"):
        cell = np.maximum(level - 1, 0) * len(pool.winters) + pool.winter
        table.pick(layout.groups("level-winter").start + cell, (level > 0).astype(float))
    if layout.has("full at apiary"):
        is_full = (level == pool.levels.index("full")).astype(float)
        table.pick(layout.groups("full at apiary").start + pool.apiary, is_full)
    return table.terms()


def linear_predictor(effects: np.ndarray, latent: np.ndarray | None, terms: Terms) -> np.ndarray:
    """Sum what the unit is, where it stands and what is not quite known of it.

    Column by column: no table of draws by units by columns is made.

    Parameters
    ----------
    effects : array, shape (..., effect)
        Effects of one outcome, or of several.
    latent : array, shape (..., latent), or None
        Standard-normal unknowns of covariates, then mite loads less their mean; None when
        there are no latent terms.
    terms : Terms

    Returns
    -------
    array, shape (..., unit)
        On the outcome's link scale.
    """
    coefficients = effects[..., : terms.fixed.shape[1]]
    eta = coefficients @ terms.fixed.T
    for pick, weight in zip(terms.pick.T, terms.weight.T, strict=True):
        eta += effects[..., pick] * weight
    if latent is None:
        return eta  # type: ignore[no-any-return]
    slopes = (coefficients[..., None] * terms.slope).sum(axis=-2)
    eta += slopes @ terms.latent_mean.T
    for k in np.flatnonzero((terms.latent_sd != 0).any(axis=0)):
        unknown = latent[..., terms.latent_place[:, k]]
        eta += slopes[..., k, None] * terms.latent_sd[:, k] * unknown
    return eta  # type: ignore[no-any-return]
