"""The linear predictor, written once for symbols (sampling) and for draws (estimands).

All effects of one outcome stand in one vector, block after block (``Layout``). A unit's
predictor is a short sum of picked effects, each times a weight:

    eta = sum_t effects[pick_t] * weight_t  +  sum_t effects[pick_t] * (mean_t + sd_t * latent_t)

The second sum holds the terms whose weight is itself unknown: covariates with gaps or counting
errors, and the mite load. So the whole design is a table of picks and weights, which keeps the
model's graph small (it compiles in a third of the time of one indexing step a term) and lets
``estimands`` ask what would have been under another level by changing the picks alone. A part
that the records cannot carry has no block and no terms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.data import SURVIVAL, Pool


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
            *(
                np.concatenate([getattr(self, n), getattr(other, n)], axis=1)
                for n in self.__slots__
            )
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
    """Where each block of effects stands: name to (start, length)."""

    blocks: dict[str, tuple[int, int]]

    @property
    def n_effects(self) -> int:
        """Effects of one outcome."""
        return sum(length for _, length in self.blocks.values())

    def at(self, block: str, index: np.ndarray | int = 0) -> np.ndarray:
        """Position of an effect in the vector."""
        return self.blocks[block][0] + np.asarray(index)


def layout_of(pool: Pool) -> Layout:
    """Return the blocks that a pool's model has, in order."""
    above, winters = len(pool.levels) - 1, len(pool.winters)
    sizes = {"intercept": 1, "level_effect": above}
    if pool.has("top opening"):
        sizes |= {"opening_effect": 1, "level_opening_effect": above}
    if pool.has("cold"):
        sizes |= {"level_cold_effect": above}
    if pool.has("level by winter"):
        sizes |= {"level_winter_effect": above * winters}
    if pool.has("apiary-varying full"):
        sizes |= {"apiary_full_effect": len(pool.apiaries)}
    for group, names in (("member", pool.members), ("apiary", pool.apiaries)):
        if pool.has(f"{group} effects") or pool.has(f"{group} shares of levels"):
            sizes |= {f"{group}_total": len(names)}
    if pool.has("winter effects"):
        sizes |= {"winter_effect": winters}
    if pool.has("apiary-winter effects"):
        sizes |= {"apiary_winter_effect": len(pool.apiary_winters)}
    if pool.has("colony effects"):
        sizes |= {"colony_effect": len(pool.colonies)}
    if pool.covariates:
        sizes |= {"slope": len(pool.covariates)}
    if pool.autumn_stores is not None and SURVIVAL in pool.outcomes:
        sizes |= {"autumn_stores_effect": 1}
    if pool.has("mites"):
        sizes |= {"mite_slope": 1}
    blocks, start = {}, 0
    for name, length in sizes.items():
        blocks[name] = (start, length)
        start += length
    return Layout(blocks)


def stack_effects(p: Mapping[str, Any], layout: Layout, xp: Any) -> Any:
    """Put all blocks of effects into one vector an outcome.

    Parameters
    ----------
    p : mapping
        Each block, shape (..., outcome, length); ``member_total`` and ``apiary_total`` are
        built of whichever of ``NAME_effect`` and ``NAME_context`` there are.
    layout : Layout
    xp : module
        ``numpy`` or ``pytensor.tensor``.

    Returns
    -------
    array, shape (..., outcome, effect)
    """

    def block(name: str) -> Any:
        if not name.endswith("_total"):
            return p[name]
        group = name.removesuffix("_total")
        parts = [p[k] for k in (f"{group}_effect", f"{group}_context") if k in p]
        return parts[0] if len(parts) == 1 else parts[0] + parts[1]

    return xp.concatenate([block(name) for name in layout.blocks], axis=-1)


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


def base_terms(pool: Pool, layout: Layout) -> Terms:
    """Everything but the level and the opening: groups, covariates, mites."""
    exact: list[tuple] = [(layout.at("intercept"), 1.0)]
    for block, index in (
        ("member_total", pool.member),
        ("apiary_total", pool.apiary),
        ("winter_effect", pool.winter),
        ("apiary_winter_effect", pool.apiary_winter),
        ("colony_effect", pool.colony),
    ):
        if block in layout.blocks:
            exact.append((layout.at(block, index), 1.0))
    places, n_latent = latent_covariates(pool)
    latent: list[tuple] = []
    for k, covariate in enumerate(pool.covariates):
        latent.append((layout.at("slope", k), covariate.mean, covariate.sd, places[k]))
    if "autumn_stores_effect" in layout.blocks and pool.autumn_stores is not None:
        stores = pool.autumn_stores
        latent.append((layout.at("autumn_stores_effect"), stores.mean, stores.sd, places[-1]))
    if "mite_slope" in layout.blocks:
        unit = n_latent + np.arange(pool.n_units)  # loads stand behind the covariates' unknowns
        latent.append((layout.at("mite_slope"), 0.0, 1.0, unit))
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
    """
    is_above = (level > 0).astype(float)  # the lowest level is the reference: no effect
    above = np.maximum(level - 1, 0)
    centred = opening - pool.opening.mean()
    exact: list[tuple] = [(layout.at("level_effect", above), is_above)]
    latent: list[tuple] = []
    if "opening_effect" in layout.blocks:
        exact.append((layout.at("opening_effect"), centred))
        exact.append((layout.at("level_opening_effect", above), is_above * centred))
    if "level_winter_effect" in layout.blocks:
        cell = above * len(pool.winters) + pool.winter
        exact.append((layout.at("level_winter_effect", cell), is_above))
    if "apiary_full_effect" in layout.blocks:
        is_full = (level == pool.levels.index("full")).astype(float)
        exact.append((layout.at("apiary_full_effect", pool.apiary), is_full))
    if "level_cold_effect" in layout.blocks:
        k = [c.name for c in pool.covariates].index("cold")
        cold, place = pool.covariates[k], latent_covariates(pool)[0][k]
        latent.append(
            (
                layout.at("level_cold_effect", above),
                is_above * cold.mean,
                is_above * cold.sd,
                place,
            )
        )
    return _table(pool.n_units, exact, latent)


def linear_predictor(effects: Any, latent: Any, terms: Terms) -> Any:
    """Sum picked effects times weights.

    Parameters
    ----------
    effects : array, shape (..., effect)
        One outcome's effects, or several outcomes' one after another.
    latent : array, shape (..., latent)
        Standard-normal unknowns of covariates, then mite loads less their centre.
    terms : Terms

    Returns
    -------
    array, shape (..., unit)
        On the outcome's link scale.
    """
    eta = (effects[..., terms.pick] * terms.weight).sum(axis=-1)
    if terms.latent_pick.shape[1] == 0:
        return eta
    value = terms.latent_mean + terms.latent_sd * latent[..., terms.latent_place]
    return eta + (effects[..., terms.latent_pick] * value).sum(axis=-1)
