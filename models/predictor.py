"""The linear predictor, written once for symbols (sampling) and for draws (estimands).

All effects of one outcome stand in one vector (``Layout`` names the places): coefficients with
a fixed prior, effects of groups, effects of winters. A unit's predictor is a short sum of
picked effects, each times a weight:

    eta = sum_t effects[pick_t] * weight_t  +  sum_t effects[pick_t] * (mean_t + sd_t * latent_t)

The second sum holds the terms whose weight is itself unknown: covariates with gaps or counting
errors, and the mite load. So the whole design is a table of picks and weights. That keeps the
model's graph small, which is what its compilation costs, and lets ``estimands`` ask what would
have been under another level by changing the picks alone. A part that the records cannot carry
has no places and no terms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from models.data import Pool
from models.vocabulary import SURVIVAL


@dataclass(frozen=True, slots=True)
class Terms:
    """Picks and weights of some units; NumPy arrays or PyTensor variables.

    Attributes
    ----------
    pick : int, shape (unit, term)
        Positions in the vector of effects.
    weight : float, shape (unit, term)
    latent_pick : int, shape (unit, latent_term)
    latent_mean, latent_sd : float, shape (unit, latent_term)
    latent_place : int, shape (unit, latent_term)
        Positions in the vector of latent values.
    """

    pick: Any
    weight: Any
    latent_pick: Any
    latent_mean: Any
    latent_sd: Any
    latent_place: Any

    def beside(self, other: Terms) -> Terms:
        """Return both sets of terms of the same units."""
        return Terms(
            *(np.concatenate([getattr(self, n), getattr(other, n)], axis=1) for n in self.__slots__)
        )

    def take(self, rows: np.ndarray, *, effects_before: int = 0) -> Terms:
        """Return the terms of some units, picking ``effects_before`` further on."""
        return Terms(
            self.pick[rows] + effects_before,
            self.weight[rows],
            self.latent_pick[rows] + effects_before,
            self.latent_mean[rows],
            self.latent_sd[rows],
            self.latent_place[rows],
        )

    @classmethod
    def below_each_other(cls, parts: list[Terms]) -> Terms:
        """Return the terms of several sets of units as one."""
        return cls(*(np.concatenate([getattr(p, n) for p in parts]) for n in cls.__slots__))


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each effect stands in the vector.

    Attributes
    ----------
    coefficients : tuple of (str, str, str)
        Name, the prior's scale (a field of ``OutcomePriors``) and what it belongs to (a level,
        a covariate, or nothing); they come first.
    groupings : dict of str to (scale, names)
        Groupings whose spread is learnt and the groups of each; they come second. Those up to
        ``n_correlated`` groups are correlated across outcomes.
    winters : tuple
        Winters with an effect of their own; they come last.
    """

    coefficients: tuple[tuple[str, str, str], ...]
    groupings: dict[str, tuple[str, tuple[str, ...]]]
    n_correlated: int
    winters: tuple[int, ...]

    @property
    def names(self) -> list[str]:
        """Coefficients as they are called in the posterior."""
        return [f"{name} {of}".strip() for name, _, of in self.coefficients]

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
    correlated = [k for k in list(rules)[:4] if k in groupings]
    return Layout(
        coefficients=tuple(made),
        groupings=groupings,
        n_correlated=sum(len(groupings[k][1]) for k in correlated),
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


def _table(n_units: int, exact: list[tuple], latent: list[tuple]) -> Terms:
    """Columns given as (pick, weight) and (pick, mean, sd, place), each broadcast to units."""

    def columns(rows: list[tuple], k: int, dtype: type) -> np.ndarray:
        made = [np.broadcast_to(np.asarray(row[k], dtype=dtype), n_units) for row in rows]
        return np.column_stack(made) if made else np.zeros((n_units, 0), dtype=dtype)

    return Terms(
        columns(exact, 0, int),
        columns(exact, 1, float),
        columns(latent, 0, int),
        columns(latent, 1, float),
        columns(latent, 2, float),
        columns(latent, 3, int),
    )


def base_terms(pool: Pool, layout: Layout, outcome: str) -> Terms:
    """Everything but the level and the opening: groups, shares, covariates, mites.

    Autumn stores speak to survival only: elsewhere their weight is zero.
    """
    exact: list[tuple] = [(layout.coefficient("intercept"), 1.0)]
    for group, index, share in (
        ("member", pool.member, pool.member_share),
        ("apiary", pool.apiary, pool.apiary_share),
    ):
        if layout.has(f"{group} share"):
            for k, name in enumerate(pool.shares):
                exact.append((layout.coefficient(f"{group} share", name), share[index, k]))
    for grouping, index in (
        ("member", pool.member),
        ("apiary", pool.apiary),
        ("apiary-winter", pool.apiary_winter),
        ("colony", pool.colony),
    ):
        if layout.has(grouping):
            exact.append((layout.groups(grouping).start + index, 1.0))
    if layout.winters:
        exact.append((layout.winter_start + pool.winter, 1.0))
    places, n_latent = latent_covariates(pool)
    latent: list[tuple] = []
    for k, covariate in enumerate(pool.covariates):
        at = layout.coefficient("slope of", covariate.name)
        latent.append((at, covariate.mean, covariate.sd, places[k]))
    if pool.autumn_stores is not None and SURVIVAL in pool.outcomes:
        stores, counts = pool.autumn_stores, float(outcome == SURVIVAL)
        at = layout.coefficient("slope of", "autumn stores")
        latent.append((at, counts * stores.mean, counts * stores.sd, places[-1]))
    if pool.has("mites"):
        unit = n_latent + np.arange(pool.n_units)  # loads stand behind the covariates' unknowns
        latent.append((layout.coefficient("slope of", "mites"), 0.0, 1.0, unit))
    return _table(pool.n_units, exact, latent)


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
    is_above = (level > 0).astype(float)
    above = np.maximum(level - 1, 0)
    centred = opening - pool.opening.mean()
    exact: list[tuple] = [
        (layout.coefficient("step to", name), (level >= k) - float((pool.level >= k).mean()))
        for k, name in enumerate(pool.levels[1:], start=1)
    ]
    first = pool.levels[1]
    if layout.has("top opening"):
        exact.append((layout.coefficient("top opening"), centred))
        at = layout.coefficient("top opening at", first) + above
        exact.append((at, is_above * centred))
    if layout.has("level-winter"):
        cell = above * len(pool.winters) + pool.winter
        exact.append((layout.groups("level-winter").start + cell, is_above))
    if layout.has("full at apiary"):
        is_full = (level == pool.levels.index("full")).astype(float)
        exact.append((layout.groups("full at apiary").start + pool.apiary, is_full))
    latent: list[tuple] = []
    if layout.has("cold at"):
        k = [c.name for c in pool.covariates].index("cold")
        cold, place = pool.covariates[k], latent_covariates(pool)[0][k]
        at = layout.coefficient("cold at", first) + above
        latent.append((at, is_above * cold.mean, is_above * cold.sd, place))
    return _table(pool.n_units, exact, latent)


def linear_predictor(effects: Any, latent: Any, terms: Terms) -> Any:
    """Sum picked effects times weights.

    Parameters
    ----------
    effects : array, shape (..., effect)
        One outcome's effects, or several outcomes' one after another.
    latent : array, shape (..., latent), or None
        Standard-normal unknowns of covariates, then mite loads less their centre; None when
        there are no latent terms.
    terms : Terms

    Returns
    -------
    array, shape (..., unit)
        On the outcome's link scale.
    """
    eta = (effects[..., terms.pick] * terms.weight).sum(axis=-1)
    if latent is None:
        return eta
    value = terms.latent_mean + terms.latent_sd * latent[..., terms.latent_place]
    return eta + (effects[..., terms.latent_pick] * value).sum(axis=-1)
