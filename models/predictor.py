"""The linear predictor, written once for symbols (sampling) and for draws (estimands).

Every function takes a mapping ``p`` of effects whose *last* axes are named below; in front
there may be no axis (PyTensor) or an axis of posterior draws (NumPy). A term whose effect is
not in ``p`` is left out: that is how a part the records cannot carry disappears.

========================  =============================
effect                    last axes
========================  =============================
intercept                 outcome
level_effect              outcome, level
opening_effect            outcome
level_opening_effect      outcome, level
level_cold_effect         outcome, level
level_winter_effect       outcome, level, winter
apiary_full_effect        outcome, apiary
slope                     outcome, covariate
autumn_stores_slope       (survival only)
mite_slope                outcome
mite_load                 unit
mite_load_mean            (none)
member_context            outcome, member
apiary_context            outcome, apiary
member_effect             outcome, member
apiary_effect             outcome, apiary
winter_effect             outcome, winter
apiary_winter_effect      outcome, apiary_winter
colony_effect             outcome, colony
covariate_z               latent
========================  =============================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from models.data import Pool


@dataclass(frozen=True, slots=True)
class Design:
    """What the predictor reads of each unit; NumPy arrays or PyTensor variables.

    Attributes
    ----------
    unit, member, apiary, winter, apiary_winter, colony : int, shape (unit,)
    covariate_mean, covariate_sd : float, shape (covariate, unit)
        Standardised; autumn stores last when ``has_autumn_stores``.
    covariate_latent : int, shape (covariate, unit)
        Position in ``covariate_z``.
    opening_mean : float
        Share of open tops in the pool: the opening's effects are centred on it.
    """

    unit: Any
    member: Any
    apiary: Any
    winter: Any
    apiary_winter: Any
    colony: Any
    covariate_mean: Any
    covariate_sd: Any
    covariate_latent: Any
    opening_mean: Any
    covariates: tuple[str, ...]
    is_latent: tuple[bool, ...]
    full: int

    def take(self, rows: Any) -> Design:
        """Return the design of some units."""
        changed = {}
        for field in fields(self)[:9]:
            values = getattr(self, field.name)
            changed[field.name] = values[..., rows]
        return replace(self, **changed)


def latent_covariates(pool: Pool) -> tuple[np.ndarray, int]:
    """Number the unknowns behind the covariates.

    Returns
    -------
    latent : numpy.ndarray of int, shape (covariate, unit)
        Position of each value's unknown; 0 where the value is exact (its sd is 0).
    count : int
        Unknowns in all.
    """
    every = [*pool.covariates, *([pool.autumn_stores] if pool.autumn_stores else [])]
    latent = np.zeros((len(every), pool.n_units), dtype=int)
    count = 0
    for row, covariate in enumerate(every):
        uncertain = covariate.sd > 0
        places, index = np.unique(covariate.place[uncertain], return_inverse=True)
        latent[row, uncertain] = count + index
        count += len(places)
    return latent, count


def design_of(pool: Pool) -> Design:
    """Return the design of a pool, as NumPy arrays."""
    every = [*pool.covariates, *([pool.autumn_stores] if pool.autumn_stores else [])]
    none = np.zeros((0, pool.n_units))
    return Design(
        unit=np.arange(pool.n_units),
        member=pool.member,
        apiary=pool.apiary,
        winter=pool.winter,
        apiary_winter=pool.apiary_winter,
        colony=pool.colony,
        covariate_mean=np.array([c.mean for c in every]) if every else none,
        covariate_sd=np.array([c.sd for c in every]) if every else none,
        covariate_latent=latent_covariates(pool)[0],
        opening_mean=float(pool.opening.mean()),
        covariates=tuple(c.name for c in every),
        is_latent=tuple(bool((c.sd > 0).any()) for c in every),
        full=pool.levels.index("full") if "full" in pool.levels else -1,
    )


def _covariate(p: Mapping[str, Any], design: Design, row: int) -> Any:
    value = design.covariate_mean[row]
    if design.is_latent[row]:
        value = value + design.covariate_sd[row] * p["covariate_z"][..., design.covariate_latent[row]]
    return value


def base_predictor(p: Mapping[str, Any], design: Design, o: int, outcome: str) -> Any:
    """Everything but the level and the opening.

    Parameters
    ----------
    p : mapping
        Effects, axes as in the module's table.
    design : Design
    o : int
        Position of the outcome on the outcome axis.
    outcome : str

    Returns
    -------
    array, shape (..., unit)
        On the outcome's link scale.
    """
    eta = p["intercept"][..., o, None]
    for name, index in (
        ("member_context", design.member),
        ("apiary_context", design.apiary),
        ("member_effect", design.member),
        ("apiary_effect", design.apiary),
        ("winter_effect", design.winter),
        ("apiary_winter_effect", design.apiary_winter),
        ("colony_effect", design.colony),
    ):
        if name in p:
            eta = eta + p[name][..., o, :][..., index]
    for row, name in enumerate(design.covariates):
        if name == "autumn stores":
            if outcome == "survival":
                eta = eta + p["autumn_stores_slope"][..., None] * _covariate(p, design, row)
        else:
            eta = eta + p["slope"][..., o, row, None] * _covariate(p, design, row)
    if "mite_slope" in p:
        deviation = p["mite_load"] - p["mite_load_mean"][..., None]
        eta = eta + p["mite_slope"][..., o, None] * deviation[..., design.unit]
    return eta


def exposure_effect(p: Mapping[str, Any], design: Design, o: int, level: Any, opening: Any) -> Any:
    """What the level and the opening add to the predictor.

    Parameters
    ----------
    p : mapping
        Effects, axes as in the module's table.
    design : Design
    o : int
        Position of the outcome on the outcome axis.
    level : int array, shape (unit,)
        Level of each unit: as it was, or as it might have been.
    opening : float array, shape (unit,)
        1 open, 0 closed.

    Returns
    -------
    array, shape (..., unit)
    """
    eta = p["level_effect"][..., o, :][..., level]
    centred = opening - design.opening_mean
    if "opening_effect" in p:
        eta = eta + p["opening_effect"][..., o, None] * centred
        eta = eta + p["level_opening_effect"][..., o, :][..., level] * centred
    if "level_cold_effect" in p:
        cold = _covariate(p, design, design.covariates.index("cold"))
        eta = eta + p["level_cold_effect"][..., o, :][..., level] * cold
    if "level_winter_effect" in p:
        eta = eta + p["level_winter_effect"][..., o, :, :][..., level, design.winter]
    if "apiary_full_effect" in p:
        is_full = level == design.full
        eta = eta + is_full * p["apiary_full_effect"][..., o, :][..., design.apiary]
    return eta
