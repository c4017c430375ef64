"""Prices and draws made up for tests of the payoff."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from models.payoff.inputs import Inputs, gather_inputs
from models.payoff.quantities import DEATHS, FRAMES, SAVED, SCHEMA
from models.vocabulary import OUTCOMES
from pipeline.contracts import load_contracts
from pipeline.settings import PAYOFF_INPUTS, PayoffSettings, Settings

AMOUNTS = {
    "stores per kg": 8.0,
    "feed sugar per kg": 1.5,
    "spring frame of bees": 12.0,
    "replacement colony": 150.0,
    "work per hour": 20.0,
    "insulation top": 10.0,
    "insulation partial": 25.0,
    "insulation full": 40.0,
}


def price_rows(
    amounts: dict[str, float] | None = None,
    ranges: dict[str, tuple[float, float]] | None = None,
    *,
    winter: int = 2024,
    currency: str = "XTS",
) -> pl.DataFrame:
    """The ``prices`` record, one winter."""
    rows = [
        {
            "item": item,
            "winter": winter,
            "amount": amount,
            "amount_low": (ranges or {}).get(item, (None, None))[0],
            "amount_high": (ranges or {}).get(item, (None, None))[1],
            "currency": currency,
        }
        for item, amount in (AMOUNTS if amounts is None else amounts).items()
    ]
    return pl.DataFrame(rows, load_contracts()["prices"].polars_schema)


def exact_settings(**values: float) -> Settings:
    """Settings whose payoff section has no ranges: 5 winters at 8 % unless told otherwise."""
    chosen = {
        "lifetime_winters": 5.0,
        "discount_rate": 0.08,
        "hours_top": 0.1,
        "hours_partial": 0.2,
        "hours_full": 0.5,
        "replacement_frames": 4.0,
        "feed_share": 0.25,
    } | values
    every = {f"{n}{end}": chosen[n] for n in PAYOFF_INPUTS for end in ("", "_low", "_high")}
    settings = Settings(payoff=PayoffSettings(**every))
    # 0.9 kg of sugar for a kg of stores: 0.81 / (1 - 0.1)
    return replace(settings, stores=replace(settings.stores, stores_sugar_share=0.81))


def exact_inputs(**values: float) -> Inputs:
    """Inputs without any range."""
    return gather_inputs(price_rows(), exact_settings(**values))


def normal_draws(
    means: dict[str, tuple[float, float, float]], *, n: int, sd: float
) -> pl.DataFrame:
    """Draws of kilograms saved, deaths avoided and frames, about each level's means.

    ``sd`` is relative to 1 kg, 0.1 colonies and 1 frame.
    """
    rng = np.random.default_rng(5)
    frames = []
    for level, (saved, deaths, frame) in means.items():
        for horizon, wider in (("these winters", 1.0), ("a new winter", 1.5)):
            z = sd * wider * rng.normal(size=(3, n))
            z -= z.mean(axis=1, keepdims=True)
            frames.append(
                pl.DataFrame(
                    {
                        "draw": np.arange(n),
                        "level": [level] * n,
                        "subgroup": ["all"] * n,
                        "horizon": [horizon] * n,
                        SAVED: saved + z[0],
                        DEATHS: deaths + 0.1 * z[1],
                        FRAMES: frame + z[2],
                    },
                    SCHEMA,
                )
            )
    return pl.concat(frames)


def estimand_rows(*levels: str, status: str = "estimated", reason: str = "") -> pl.DataFrame:
    """Rows of ``estimands.csv`` that say what can be told, of all units."""
    rows = [
        {
            "outcome": outcome,
            "contrast": f"{level} vs none",
            "measure": "difference",
            "subgroup": "all",
            "horizon": horizon,
            "status": status,
            "reason": reason,
        }
        for outcome in OUTCOMES
        for level in levels
        for horizon in ("these winters", "a new winter")
    ]
    return pl.DataFrame(rows)
