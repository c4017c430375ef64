"""Simulated treatments and mite counts: bees, members and figures here are invented."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl


@dataclass(frozen=True, slots=True)
class Treatment:
    """An active ingredient, and by how much it lowers the log load when given 45 days before."""

    ingredient: str
    effect: float


def treat(
    kinds: tuple[Treatment, ...],
    regrowth: float,
    member: np.ndarray,
    apiary: np.ndarray,
    treated: np.ndarray,
    seed: int,
) -> tuple[list[str | None], np.ndarray, np.ndarray]:
    """Name and date treatments, from random numbers of their own.

    Returns
    -------
    ingredient : list of str or None
    days : numpy.ndarray, shape (unit,)
        From treatment to the reference date; NaN for the untreated.
    effect : numpy.ndarray, shape (unit,)
        On the log load at the reference date; 0 for the untreated.
    """
    n = len(treated)
    if not kinds:
        return [None] * n, np.full(n, np.nan), -0.8 * treated
    rng = np.random.default_rng([seed, 1])
    habit = rng.integers(0, len(kinds), member.max() + 1)[member]
    kind = np.where(rng.random(n) < 0.7, habit, rng.integers(0, len(kinds), n))
    days = rng.integers(15, 76, apiary.max() + 1)[apiary].astype(float)
    lowered = np.array([k.effect for k in kinds])[kind] - regrowth * (days - 45.0) / 30.0
    ingredient = [kinds[k].ingredient if t else None for k, t in zip(kind, treated, strict=True)]
    return ingredient, np.where(treated, days, np.nan), -lowered * treated


def count_mites(
    units: pl.DataFrame,
    load: np.ndarray,
    treated: np.ndarray,
    treated_before: np.ndarray,
    uncounted: float,
    rng: np.random.Generator,
) -> pl.DataFrame:
    """Wash or roll a sample of most colonies' bees.

    Parameters
    ----------
    units : polars.DataFrame
        colony_id, member_id, winter.
    load : numpy.ndarray, shape (unit,)
        Log mites per 100 bees at the reference date.
    treated, treated_before : numpy.ndarray, shape (unit,)
        Whether, and how many days before the reference date; 20 where that is not known.
    uncounted : float
        Share of units without a count.
    rng : numpy.random.Generator

    Returns
    -------
    polars.DataFrame
        ``mite_samples``, one count a unit.
    """
    counted = rng.random(units.height) >= uncounted
    member, colony = units["member_id"].to_list(), units["colony_id"].to_list()
    rolls = {m: rng.random() < 0.35 for m in dict.fromkeys(member)}
    day = np.nan_to_num(treated_before, nan=20.0)
    rows = []
    for i in np.flatnonzero(counted):
        method = "sugar roll" if rolls[member[i]] else "alcohol wash"
        found = 0.76 if method == "sugar roll" else 0.93
        before = int(rng.integers(-10, 45))
        between = int(before > day[i] and treated[i])
        bees = int(rng.normal(305, 20))
        mean = bees / 100 * found * np.exp(load[i] - 0.02 * before + 1.5 * between)
        mites = int(rng.poisson(mean * rng.gamma(10.0, 0.1)))
        winter = int(units["winter"][int(i)])
        rows.append(
            {
                "colony_id": colony[i],
                "winter": winter,
                "sampled_on": date(winter, 10, 1) - timedelta(days=before),
                "method": method,
                "sample_no": 1,
                "bees_sampled": bees,
                "mites_counted": mites,
                "board_days": None,
                "mites_per_100_bees": 100.0 * mites / bees,
                "days_before_reference": float(before),
                "treatments_between": between,
            }
        )
    schema = {
        "colony_id": pl.String,
        "winter": pl.Int64,
        "sampled_on": pl.Date,
        "method": pl.String,
        "sample_no": pl.Int64,
        "bees_sampled": pl.Int64,
        "mites_counted": pl.Int64,
        "board_days": pl.Float64,
        "mites_per_100_bees": pl.Float64,
        "days_before_reference": pl.Float64,
        "treatments_between": pl.Int64,
    }
    return pl.DataFrame(rows, schema=schema)
