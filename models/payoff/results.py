"""The tables of the payoff: every row there whatever its status, numbers only where known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from models.estimands import ALL, NEW, THESE, THIRDS
from models.payoff import one_way, worth_knowing
from models.payoff.inputs import (
    CHOICES,
    FRAME_PRICE,
    LIFETIME,
    RATE,
    STORES_PRICE,
    SUGAR_PRICE,
    Inputs,
    hours_of,
    material_price,
    say_missing,
)
from models.payoff.money import winters_to_break_even
from models.payoff.net import (
    MATERIAL,
    PARTS,
    PRICE_DRAWS,
    WORK,
    draw_inputs,
    mean_values,
    needed_for,
    net_benefit,
    part_amount,
    part_money,
    saving,
)
from models.payoff.quantities import (
    MOST_DRAWS,
    OUTCOME_OF,
    UNITS,
    Gains,
    gains_in,
)
from models.tables import ESTIMATED, NOT_POSSIBLE, QUANTILES
from models.vocabulary import LEVELS, STORES, STRENGTH, SURVIVAL

NO_PRICE: Final = "price missing"
_BREAK_EVEN: Final = {"break_even_q25": 0.25, "break_even_q50": 0.5, "break_even_q75": 0.75}
_TEXTS: Final = ("level", "subgroup", "horizon", "currency")
_NUMBERS: Final = ("mean", "sd", *QUANTILES, "p_pays", "p_never", *_BREAK_EVEN)
_STATUS: Final = {"status": pl.String, "reason": pl.String}
SCHEMAS: Final[dict[str, dict[str, Any]]] = {
    "payoff": {
        **dict.fromkeys(_TEXTS, pl.String),
        **dict.fromkeys(_NUMBERS, pl.Float64),
        **_STATUS,
    },
    "payoff_inputs": {
        **dict.fromkeys(("input", "unit"), pl.String),
        **dict.fromkeys(("value", "low", "high"), pl.Float64),
        "source": pl.String,
    },
    "payoff_parts": {
        **dict.fromkeys(("level", "part"), pl.String),
        "amount": pl.Float64,
        "unit": pl.String,
        **dict.fromkeys(("mean", "q2.5", "q97.5"), pl.Float64),
        **_STATUS,
    },
    "payoff_horizon": {"level": pl.String, "winters": pl.Int64, "p_paid_back": pl.Float64},
    "payoff_one_way": one_way.ONE_WAY_SCHEMA,
    "payoff_map": one_way.MAP_SCHEMA,
    "payoff_knowledge": worth_knowing.SCHEMA,
}
"""Files of the results, ``NAME.csv``, with their columns."""


@dataclass(frozen=True, slots=True)
class Payoff:
    """All tables of one reckoning, by the names in ``SCHEMAS``, and the missing prices."""

    tables: dict[str, pl.DataFrame]
    currency: str
    missing: list[str]


def _is_counted(inputs: Inputs, level: str, outcome: str) -> bool:
    """Whether an outcome matters: not when everything that prices it is given as 0."""
    names = {STORES: (STORES_PRICE, SUGAR_PRICE), STRENGTH: (FRAME_PRICE,)}.get(outcome, ())
    priced = [name for name in names if name in inputs.needed(level)]
    return not priced or not all(inputs.is_worth_nothing(name) for name in priced)


def _estimated(
    estimands: pl.DataFrame, level: str, subgroup: str, horizon: str, outcomes: list[str]
) -> tuple[str, str]:
    """Status and reason of what rests on several outcomes: that of the first not estimated."""
    rows = estimands.filter(
        pl.col("contrast") == f"{level} vs none",
        pl.col("measure") == "difference",
        pl.col("subgroup") == subgroup,
        pl.col("horizon") == horizon,
    )
    found = {row["outcome"]: row for row in rows.to_dicts()}
    for outcome in outcomes:
        row = found.get(outcome)
        if row is None:
            return NOT_POSSIBLE, f"{outcome} has no estimate"
        if row["status"] != ESTIMATED:
            return row["status"], f"{outcome}: {row['reason']}"
    return ESTIMATED, ""


def _status(
    estimands: pl.DataFrame, inputs: Inputs, level: str, subgroup: str, horizon: str
) -> tuple[str, str]:
    """Say whether a net benefit can be told, and if not why."""
    outcomes = [o for o in (SURVIVAL, STORES, STRENGTH) if _is_counted(inputs, level, o)]
    status, reason = _estimated(estimands, level, subgroup, horizon, outcomes)
    if status != ESTIMATED:
        return status, reason
    missing = inputs.missing(inputs.needed(level))
    return (NO_PRICE, say_missing(missing)) if missing else (ESTIMATED, "")


def break_even(level: str, gains: Gains, values: dict[str, np.ndarray]) -> np.ndarray:
    """Winters until the material has paid for itself, shape (draw,).

    Returns
    -------
    numpy.ndarray
        Infinite where it is worn out before: then it never does.
    """
    cost, rate = values[material_price(level, values)], values[RATE]
    winters = winters_to_break_even(cost, saving(level, gains, values), rate)
    return np.where(winters <= values[LIFETIME], winters, np.inf)


def _summary(
    level: str, gains: Gains, values: dict[str, np.ndarray]
) -> tuple[dict[str, float | None], np.ndarray]:
    net = net_benefit(level, gains, values)
    paid = break_even(level, gains, values)
    limits = np.quantile(net, list(QUANTILES.values()))
    times = np.quantile(paid, list(_BREAK_EVEN.values()), method="inverted_cdf")
    told: dict[str, float | None] = {
        "mean": float(net.mean()),
        "sd": float(net.std(ddof=1)),
        **dict(zip(QUANTILES, map(float, limits), strict=True)),
        "p_pays": float((net > 0).mean()),
        "p_never": float(np.isinf(paid).mean()),
        **{
            name: float(np.ceil(time)) if np.isfinite(time) else None
            for name, time in zip(_BREAK_EVEN, times, strict=True)
        },
    }
    return told, paid


def _inputs_table(inputs: Inputs, levels: list[str]) -> pl.DataFrame:
    """Every input that is given and counts, in the order of the first level that needs it."""
    names = dict.fromkeys(name for level in levels for name in inputs.needed(level))
    rows = [
        (own.name, own.unit, own.value, own.low, own.high, own.source)
        for own in (inputs.given[name] for name in names if name in inputs.given)
    ]
    return pl.DataFrame(rows, SCHEMAS["payoff_inputs"], orient="row")


def _part_rows(
    estimands: pl.DataFrame, inputs: Inputs, level: str, gains: Gains, values: dict[str, np.ndarray]
) -> list[dict[str, Any]]:
    """Say what each part of the net benefit comes to; those that lack nothing come."""
    rows = []
    for part in PARTS:
        needed = needed_for(inputs, level, part)
        missing, amount = inputs.missing(needed), None
        status, reason = ESTIMATED, ""
        if part in OUTCOME_OF:
            outcomes = list(dict.fromkeys([SURVIVAL, OUTCOME_OF[part]]))
            status, reason = _estimated(estimands, level, ALL, THESE, outcomes)
            if status == ESTIMATED:
                amount = float(part_amount(part, gains, values).mean())
        elif part == MATERIAL and (price := material_price(level, inputs.given)) in inputs.given:
            amount = inputs.given[price].mean
        elif part == WORK:
            amount = inputs.given[hours_of(level)].mean
        if status == ESTIMATED and missing:
            status, reason = NO_PRICE, say_missing(missing)
        row: dict[str, Any] = {
            "level": level,
            "part": part,
            "amount": amount,
            "unit": UNITS.get(part, {MATERIAL: inputs.currency, WORK: "h"}.get(part)),
            **dict.fromkeys(("mean", "q2.5", "q97.5")),
            "status": status,
            "reason": reason,
        }
        if status == ESTIMATED:
            money = part_money(level, part, gains, values)
            low, high = np.quantile(money, [0.025, 0.975])
            row |= {"mean": float(money.mean()), "q2.5": float(low), "q97.5": float(high)}
        rows.append(row)
    return rows


def _knowledge(
    draws: pl.DataFrame,
    levels: list[str],
    inputs: Inputs,
    values: dict[str, np.ndarray],
    n_seen: int,
) -> pl.DataFrame:
    if not levels:
        return pl.DataFrame(schema=worth_knowing.SCHEMA)
    means = mean_values(inputs, values)
    these = {level: gains_in(draws, level, ALL, THESE) for level in levels}
    new = {level: gains_in(draws, level, ALL, NEW) for level in levels}

    def nets(of: dict[str, Gains], at: dict[str, np.ndarray]) -> np.ndarray:
        return np.column_stack([net_benefit(level, of[level], at) for level in levels])

    repeated = {level: own.repeated(PRICE_DRAWS) for level, own in these.items()}
    return worth_knowing.knowledge_table(
        nets(repeated, values),
        nets(these, means),
        nets({level: own.mean() for level, own in these.items()}, values),
        nets(new, means),
        tuple(levels),
        n_seen,
    )


def reckon(
    estimands: pl.DataFrame, draws: pl.DataFrame, inputs: Inputs, *, n_units: int, seed: int
) -> Payoff:
    """Reckon the payoff of every level, and of full insulation with a closed top, against none.

    Parameters
    ----------
    estimands : polars.DataFrame
        ``estimands.csv``: a net benefit is told only where all that it rests on is estimated.
    draws : polars.DataFrame
        Of ``quantities.pool_gains``.
    inputs : Inputs
    n_units : int
        Colony-winters analysed.
    seed : int
        Of the draws of the inputs.

    Returns
    -------
    Payoff
    """
    levels = list(CHOICES)
    n_draws = draws["draw"].n_unique() or MOST_DRAWS
    values = draw_inputs(inputs, PRICE_DRAWS * n_draws, seed)
    rows, parts, horizon = [], [], []
    full: list[str] = []
    longest = int(np.ceil(inputs.given[LIFETIME].high))
    for level in levels:
        keys = [(ALL, THESE), (ALL, NEW), *((third, THESE) for third in THIRDS)]
        for subgroup, when in keys:
            status, reason = _status(estimands, inputs, level, subgroup, when)
            told: dict[str, float | None] = dict.fromkeys(_NUMBERS)
            if status == ESTIMATED:
                gains = gains_in(draws, level, subgroup, when).repeated(PRICE_DRAWS)
                told, paid = _summary(level, gains, values)
                if when == NEW:  # one winter does not say what a lifetime of them brings
                    told |= dict.fromkeys(("p_never", *_BREAK_EVEN))
                if (subgroup, when) == (ALL, THESE):
                    full.append(level)
                    horizon += [
                        (level, n, float((paid <= n).mean())) for n in range(1, longest + 1)
                    ]
            key = dict(zip(_TEXTS, (level, subgroup, when, inputs.currency), strict=True))
            rows.append({**key, **told, "status": status, "reason": reason})
        parts += _part_rows(
            estimands,
            inputs,
            level,
            gains_in(draws, level, ALL, THESE).repeated(PRICE_DRAWS),
            values,
        )
    moved, maps = [], []
    for level in full:
        gains = gains_in(draws, level, ALL, THESE)
        moved.append(one_way.one_way_table(level, gains, inputs))
        if np.isfinite(gains.saved_kg).all():
            maps.append(one_way.payoff_map(level, gains.repeated(PRICE_DRAWS), inputs, values))
    needed = [name for level in levels for name in inputs.needed(level)]
    return Payoff(
        {
            "payoff": pl.DataFrame(rows, SCHEMAS["payoff"]),
            "payoff_inputs": _inputs_table(inputs, levels),
            "payoff_parts": pl.DataFrame(parts, SCHEMAS["payoff_parts"]),
            "payoff_horizon": pl.DataFrame(horizon, SCHEMAS["payoff_horizon"], orient="row"),
            "payoff_one_way": pl.concat([pl.DataFrame(schema=one_way.ONE_WAY_SCHEMA), *moved]),
            "payoff_map": pl.concat([pl.DataFrame(schema=one_way.MAP_SCHEMA), *maps]),
            "payoff_knowledge": _knowledge(
                draws, [k for k in full if k in LEVELS], inputs, values, n_units
            ),
        },
        inputs.currency,
        inputs.missing(dict.fromkeys(needed)),
    )
