"""Which single input turns the answer, and how material cost and price of stores go together."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import polars as pl
from scipy.optimize import brentq

from models.payoff.inputs import (
    FEED_SHARE,
    LIFETIME,
    RATE,
    REPLACEMENT_FRAMES,
    STORES_PRICE,
    SUGAR_PER_STORES,
    SUGAR_PRICE,
    Inputs,
    material_price,
)
from models.payoff.net import (
    RECOVERY,
    net_benefit,
    saving,
    values_as_given,
    with_recovery,
    worth_of_stores,
)
from models.payoff.quantities import DEATHS, FRAMES, QUANTITIES, SAVED, UNITS, Gains

# An input without a range is moved this far, to show how much hangs on it (common practice, no
# source); the point where the answer turns does not depend on it.
SHARE_MOVED: Final = 0.25
LONGEST_LIFE: Final = 200.0  # winters; an annuity hardly changes beyond
MAP_POINTS: Final = 21
ONE_WAY_SCHEMA: Final = {
    "level": pl.String,
    "input": pl.String,
    "unit": pl.String,
    **dict.fromkeys(("value", "low", "high"), pl.Float64),
    "range": pl.String,  # "given", "95 % interval" or "moved"
    **dict.fromkeys(("net", "net_low", "net_high", "turns_at"), pl.Float64),
    "is_turn_in_range": pl.Boolean,
}
MAP_SCHEMA: Final = {
    "level": pl.String,
    **dict.fromkeys(("material", "stores_worth", "mean", "p_pays"), pl.Float64),
}
_FIELDS: Final = {SAVED: "saved_kg", DEATHS: "deaths_avoided", FRAMES: "frames"}
_HIGHEST: Final = {FEED_SHARE: 1.0, RATE: 1.0, LIFETIME: LONGEST_LIFE}
_LOWEST: Final = {LIFETIME: 1.0}


def _turning_point(
    net: Callable[[float], float], lowest: float, highest: float, *, is_straight: bool
) -> float | None:
    """Where the net benefit is zero, within the limits; None when it is nowhere."""
    if is_straight:
        at_zero = net(0.0)
        slope = net(1.0) - at_zero
        if slope == 0.0:
            return None
        turn = -at_zero / slope
        return float(turn) + 0.0 if lowest <= turn <= highest else None
    ends = net(lowest), net(highest)
    if ends[0] * ends[1] > 0 or ends[0] == ends[1]:
        return None
    return float(brentq(net, lowest, highest))


def one_way_table(level: str, gains: Gains, inputs: Inputs) -> pl.DataFrame:
    """Move one input at a time, all others as given and the effects at their means.

    Parameters
    ----------
    level : str
        All of ``inputs.needed(level)`` must be given.
    gains : Gains
        Draws: their means and 95 % limits are the effects' values and ranges.
    inputs : Inputs

    Returns
    -------
    polars.DataFrame
        As ``ONE_WAY_SCHEMA``, the input that moves the net benefit furthest first. ``turns_at``:
        the value at which the net benefit is 0; empty when there is none that makes sense.
    """
    given, mean = values_as_given(inputs), gains.mean()
    base = float(net_benefit(level, mean, given)[0])
    rows: list[dict[str, Any]] = []

    def row(
        name: str,
        unit: str,
        ends: tuple[float, float, float],
        kind: str,
        net: Callable[[float], float],
    ) -> None:
        value, low, high = ends
        lowest = -np.inf if name in QUANTITIES else _LOWEST.get(name, 0.0)
        is_straight = name not in (LIFETIME, RATE)
        highest = _HIGHEST.get(name, np.inf)
        turn = _turning_point(net, lowest, highest, is_straight=is_straight)
        rows.append(
            {
                "level": level,
                "input": name,
                "unit": unit,
                "value": value,
                "low": low,
                "high": high,
                "range": kind,
                "net": base,
                "net_low": net(low),
                "net_high": net(high),
                "turns_at": turn,
                "is_turn_in_range": turn is not None and low <= turn <= high,
            }
        )

    for name in inputs.needed(level):
        own = inputs.given[name]
        if name == SUGAR_PER_STORES:  # moves the answer as the price of sugar does
            continue
        if name == FEED_SHARE and inputs.missing((STORES_PRICE, SUGAR_PRICE)):
            continue  # nobody said what the other share is worth

        def moved(value: float, name: str = name) -> float:
            return float(
                net_benefit(level, mean, with_recovery(given | {name: np.array(value)}))[0]
            )

        low, high = own.low, own.high
        if not own.has_range:
            low, high = (1.0 - SHARE_MOVED) * low, (1.0 + SHARE_MOVED) * high
            low, high = max(low, _LOWEST.get(name, 0.0)), min(high, _HIGHEST.get(name, np.inf))
        kind = "given" if own.has_range else "moved"
        row(name, own.unit, (own.value, low, high), kind, moved)
    for quantity in QUANTITIES:
        draws = gains.of(quantity)
        if not np.isfinite(draws).all():
            continue

        def changed(value: float, quantity: str = quantity) -> float:
            fields = {_FIELDS[q]: mean.of(q) for q in QUANTITIES}
            fields[_FIELDS[quantity]] = np.array([value])
            if quantity == DEATHS:  # a colony saved has as many frames as its replacement brings
                fields[_FIELDS[FRAMES]] = mean.frames + given[REPLACEMENT_FRAMES] * (
                    value - mean.deaths_avoided
                )
            return float(net_benefit(level, Gains(**fields), given)[0])

        low, high = np.quantile(draws, [0.025, 0.975])
        ends = (float(draws.mean()), float(low), float(high))
        row(quantity, UNITS[quantity], ends, "95 % interval", changed)
    rows.sort(key=lambda r: -abs(r["net_high"] - r["net_low"]))
    return pl.DataFrame(rows, ONE_WAY_SCHEMA)


def payoff_map(
    level: str, gains: Gains, inputs: Inputs, values: dict[str, np.ndarray]
) -> pl.DataFrame:
    """Net benefit along the cost of material and the worth of a kilogram of stores.

    Parameters
    ----------
    level : str
    gains : Gains
        Draws, shape (draw,).
    inputs : Inputs
        How far the two are moved: stores to twice their dearest; material to beyond where the
        mean net benefit is nothing, between two and six times its dearest.
    values : dict of str to numpy.ndarray, shape (draw,)
        Draws of all inputs.

    Returns
    -------
    polars.DataFrame
        As ``MAP_SCHEMA``: ``MAP_POINTS`` squared rows.
    """
    sugar = inputs.given[SUGAR_PER_STORES].value
    dearest = max(
        inputs.given[STORES_PRICE].high if STORES_PRICE in inputs.given else 0.0,
        sugar * inputs.given[SUGAR_PRICE].high if SUGAR_PRICE in inputs.given else 0.0,
        1e-2,
    )
    material = max(inputs.given[material_price(level, inputs.given)].high, 1e-2)
    turn = 1.25 * float(saving(level, gains, values).mean() / values[RECOVERY].mean())
    costs = np.linspace(0.0, np.clip(turn, 2.0 * material, 6.0 * material), MAP_POINTS)
    rows = []
    for worth in np.linspace(0.0, 2.0 * dearest, MAP_POINTS):
        own = values | {FEED_SHARE: np.array(0.0), STORES_PRICE: np.array(worth)}
        before = saving(level, gains, own)
        nets = before[:, None] - costs * values[RECOVERY][:, None]
        means, pays = nets.mean(axis=0), (nets > 0).mean(axis=0)
        rows += [
            (level, float(cost), float(worth), float(m), float(p))
            for cost, m, p in zip(costs, means, pays, strict=True)
        ]
    return pl.DataFrame(rows, MAP_SCHEMA, orient="row")


def worths_of_stores(inputs: Inputs) -> dict[str, float]:
    """Worth of a kilogram of stores as honey, and as the sugar it spares [cur/kg]."""
    given = values_as_given(inputs)
    ends = {"honey": (STORES_PRICE, 0.0), "sugar spared": (SUGAR_PRICE, 1.0)}
    return {
        name: float(worth_of_stores(given | {FEED_SHARE: np.array(share)}))
        for name, (price, share) in ends.items()
        if price in given
    }
