"""Net benefit of a level against none, per colony-winter.

In the currency of the prices [cur], for one draw of the effects and of the prices:

    net = saved · v                                    [kg · cur/kg]
        + deaths avoided · p_colony                    [colonies · cur/colony]
        + (frames − r · deaths avoided) · p_frame      [frames · cur/frame]
        − P · CRF(i, n)                                [cur · 1/winter]
        − h · wage                                     [h · cur/h]

    v = (1 − q) · p_stores + q · g · p_sugar

where saved, deaths avoided and frames are the averages of ``quantities`` a colony-winter; q is
the share of saved stores that spares feed sugar and g the sugar [kg] that bees need to make a kg
of stores; r the frames that a replacement colony brings; P the material of the level, i the
discount rate, n the lifetime [winters] and CRF the capital recovery factor; h the hours a winter
more than at none.

Nothing is counted twice. A dead colony saves no stores. It costs a replacement once; the frames
it does not have are counted, and the frames that its replacement brings are taken off again, so
that bees bought with the replacement are not paid for a second time.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from models.payoff.inputs import (
    COLONY_PRICE,
    FEED_SHARE,
    FRAME_PRICE,
    LIFETIME,
    RATE,
    REPLACEMENT_FRAMES,
    STORES_PRICE,
    SUGAR_PER_STORES,
    SUGAR_PRICE,
    WAGE,
    Inputs,
    hours_of,
    material_price,
)
from models.payoff.money import capital_recovery
from models.payoff.quantities import DEATHS, FRAMES, SAVED, Gains

PRICE_DRAWS: Final = 4  # draws of the prices for each posterior draw
RECOVERY: Final = "capital recovery"
MATERIAL, WORK = "material", "work"
PARTS: Final = (SAVED, DEATHS, FRAMES, MATERIAL, WORK)

Values = Mapping[str, np.ndarray]
"""Inputs by name, with ``RECOVERY``; each of shape (draw,) or a single number."""


def with_recovery(values: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Add the capital recovery factor of each draw's rate and lifetime."""
    return values | {RECOVERY: capital_recovery(values[RATE], values[LIFETIME])}


def draw_inputs(inputs: Inputs, n: int, seed: int) -> dict[str, np.ndarray]:
    """Draw every input that is given, each independently of the others.

    Parameters
    ----------
    inputs : Inputs
    n : int
    seed : int
        An input's draws do not hang on which others are given.
    """
    values = {
        name: own.draws(n, np.random.default_rng([seed, *name.encode()]))
        for name, own in inputs.given.items()
    }
    return with_recovery(values)


def values_as_given(inputs: Inputs) -> dict[str, np.ndarray]:
    """Return every input's value, ranges aside."""
    return with_recovery({name: np.array(own.value) for name, own in inputs.given.items()})


def mean_values(inputs: Inputs, drawn: Values) -> dict[str, np.ndarray]:
    """Means of the inputs: with them the net benefit is its own mean over the inputs.

    Inputs are independent and enter as products, so only the recovery factor needs draws.
    """
    means = {name: np.array(own.mean) for name, own in inputs.given.items()}
    return means | {RECOVERY: np.array(drawn[RECOVERY].mean())}


def _value(values: Values, name: str) -> np.ndarray:
    """Value of an input; 0 for one that is not needed and not given."""
    return np.asarray(values.get(name, 0.0))


def worth_of_stores(values: Values) -> np.ndarray:
    """Worth of a kilogram of stores saved, part honey and part sugar spared [cur/kg]."""
    share = values[FEED_SHARE]
    sugar = _value(values, SUGAR_PER_STORES) * _value(values, SUGAR_PRICE)
    return (1.0 - share) * _value(values, STORES_PRICE) + share * sugar


def needed_for(inputs: Inputs, level: str, part: str) -> list[str]:
    """Inputs that one part of the net benefit rests on."""
    of = {
        SAVED: (STORES_PRICE, SUGAR_PRICE, FEED_SHARE, SUGAR_PER_STORES),
        DEATHS: (COLONY_PRICE,),
        FRAMES: (FRAME_PRICE, REPLACEMENT_FRAMES),
        MATERIAL: (material_price(level, inputs.given), LIFETIME, RATE),
        WORK: (WAGE, hours_of(level)),
    }[part]
    return [name for name in inputs.needed(level) if name in of]


def part_amount(part: str, gains: Gains, values: Values) -> np.ndarray:
    """Kilograms, colonies or frames that a part prices; frames less those replacements bring."""
    if part == FRAMES:
        return np.asarray(gains.frames - values[REPLACEMENT_FRAMES] * gains.deaths_avoided)
    return gains.of(part)


def part_money(level: str, part: str, gains: Gains, values: Values) -> np.ndarray:
    """Money of one part of the net benefit [cur a colony-winter]; costs are negative.

    Parameters
    ----------
    level : str
    part : str
        One of ``PARTS``.
    gains : Gains
        Draws, shape (draw,).
    values : Values
        Draws of the same number, or single values.
    """
    if part == SAVED:
        return part_amount(part, gains, values) * worth_of_stores(values)
    if part == DEATHS:
        return part_amount(part, gains, values) * _value(values, COLONY_PRICE)
    if part == FRAMES:
        return part_amount(part, gains, values) * _value(values, FRAME_PRICE)
    if part == MATERIAL:
        return np.asarray(-_value(values, material_price(level, values)) * values[RECOVERY])
    return np.asarray(-values[hours_of(level)] * _value(values, WAGE))


def _is_left_out(level: str, part: str, values: Values) -> bool:
    """Whether what a part would count is priced at 0, so that its outcome need not be known."""
    price = {SAVED: worth_of_stores, FRAMES: lambda v: _value(v, FRAME_PRICE)}.get(part)
    return price is not None and not np.any(price(values))


def saving(level: str, gains: Gains, values: Values) -> np.ndarray:
    """What a level brings every winter before its material is paid [cur a colony-winter]."""
    parts = [p for p in PARTS if p != MATERIAL and not _is_left_out(level, p, values)]
    total = np.asarray(0.0)
    for part in parts:
        total = total + part_money(level, part, gains, values)
    return total


def net_benefit(level: str, gains: Gains, values: Values) -> np.ndarray:
    """Net benefit of a level against none [cur a colony-winter].

    Parameters
    ----------
    level : str
        Every input of ``Inputs.needed(level)`` must be in ``values``.
    gains : Gains
        Draws, shape (draw,).
    values : Values
        Draws of the same number, or single values.

    Returns
    -------
    numpy.ndarray, shape (draw,)
    """
    return saving(level, gains, values) + part_money(level, MATERIAL, gains, values)
