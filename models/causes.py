"""Causes of loss: how many colonies were lost by each winter day, by insulation level and cause.

A description, adjusted for nothing. The recorded cause is the member's opinion, and a colony is
found dead days to weeks after it died, so that curves rise late and in steps of visits.

Rules
-----
1. Units are those analysed (no exclusion reason, level known). Time counts in days from the
   winter's first day, and ends with its last.
2. Lost (not alive with a laying queen in spring): an event on the day it was found gone, or found
   without a laying queen; on the last day when no day is recorded or the day is later.
3. Came through: at risk to the last day. It is *not* censored at its spring check: dead and living
   colonies are told apart at the same visits, so the colonies checked last would stand for all
   and one late find would count for most of the pool.
4. Lost to disaster: censored on that day and counted apart, because no set-up is to blame.
5. Fate unknown: censored on the day it was last seen alive (or moved away) when that is recorded,
   else left out and counted.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from models.vocabulary import LEVELS
from pipeline.settings import Settings
from pipeline.stages.windows import UNIT, winter_day

CAUSES: Final = ("mites", "starvation", "queen", "moisture", "other", "unknown")
ALL_CAUSES: Final = "all causes"
LOST, THROUGH, DISASTER, CENSORED, LEFT_OUT = FATES = (
    "lost",
    "came through",
    "lost to disaster",
    "last seen alive",
    "fate unknown",
)
REPLICATES: Final = 400
_SEEN_ALIVE: Final = ("alive", "moved away")


def loss_times(
    colony_winters: pl.DataFrame, winter_survival: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Turn recorded fates into times and causes; one row per analysed colony-winter.

    Parameters
    ----------
    colony_winters, winter_survival : polars.DataFrame
        As ``data_contracts/derived`` describes.
    settings : Settings
        The winter's first and last day are read.

    Returns
    -------
    polars.DataFrame
        colony_id, winter, member_id, level, fate (one of ``FATES``), cause (of ``CAUSES``, null
        unless lost), day [d] since the winter's first (null when left out), is_dated (false where a
        loss has no day of its own within the winter). Sorted by colony and winter.
    """
    winter, cause = pl.col("winter"), pl.col("likely_cause")
    lost = (pl.col("is_alive") == False).fill_null(False)  # noqa: E712
    starts_on = winter_day(settings.winter.starts_on, winter)
    ends_on = winter_day(settings.winter.ends_on, winter)
    told = winter_survival.select(*UNIT, "state", "checked_on", "lost_on")
    units = (
        colony_winters.filter(pl.col("exclusion_reason").is_null(), pl.col("level").is_not_null())
        .select(*UNIT, "member_id", "level", "is_alive", "is_disaster", "likely_cause")
        .join(told, on=UNIT, how="left")
    )
    fate = (
        pl.when("is_disaster")
        .then(pl.lit(DISASTER))
        .when(lost)
        .then(pl.lit(LOST))
        .when("is_alive")
        .then(pl.lit(THROUGH))
        .when(pl.col("state").is_in(_SEEN_ALIVE) & (pl.col("checked_on") >= starts_on))
        .then(pl.lit(CENSORED))
        .otherwise(pl.lit(LEFT_OUT))
    )
    is_queenless = pl.col("state") == "alive without laying queen"
    own_day = (
        pl.when(fate == LOST)
        .then(pl.coalesce("lost_on", pl.when(is_queenless).then("checked_on")))
        .when((fate == DISASTER) | (fate == CENSORED))
        .then(pl.coalesce("lost_on", "checked_on"))
    )
    last = (ends_on - starts_on).dt.total_days()
    day = (own_day - starts_on).dt.total_days()
    return (
        units.with_columns(
            fate=fate,
            cause=pl.when(fate == LOST).then(
                pl.when(cause.is_in(CAUSES))
                .then(cause)
                .when(is_queenless)
                .then(pl.lit("queen"))
                .when(cause.is_not_null())
                .then(pl.lit("other"))
                .otherwise(pl.lit("unknown"))
            ),
            day=pl.when(fate != LEFT_OUT).then(
                pl.min_horizontal(pl.coalesce(day, last).clip(lower_bound=0), last)
            ),
            is_dated=(fate != LOST) | (day <= last).fill_null(False),
        )
        .select(*UNIT, "member_id", "level", "fate", "cause", "day", "is_dated")
        .sort(*UNIT)
    )


def cumulative_incidence(events: np.ndarray, leaving: np.ndarray) -> np.ndarray:
    """Aalen–Johansen estimate of the chance to have been lost to each cause by each time.

    Parameters
    ----------
    events : numpy.ndarray, shape (..., time, cause)
        Losses at each time to each cause.
    leaving : numpy.ndarray, shape (..., time)
        Colonies that leave at each time: lost or censored. All are at risk at the first time; a
        colony censored at the time of a loss was still at risk then.

    Returns
    -------
    numpy.ndarray, shape (..., time, cause)
        In [0, 1]; the causes' sum is one minus the Kaplan–Meier estimate of all losses. A time
        with nobody at risk adds nothing.

    References
    ----------
    Aalen, Johansen (1978), "An empirical transition matrix for non-homogeneous Markov chains based
    on censored observations", Scand. J. Statist. 5:141-150 (from memory).

    Examples
    --------
    Five colonies: two lost on one day to two causes, one censored that day, one lost later.

    >>> events = np.array([[1, 1], [1, 0], [0, 0]])
    >>> cumulative_incidence(events, np.array([3, 1, 1])).round(2).tolist()
    [[0.2, 0.2], [0.5, 0.2], [0.5, 0.2]]
    """
    at_risk = np.cumsum(leaving[..., ::-1], axis=-1)[..., ::-1]
    hazard = events / np.where(at_risk > 0, at_risk, 1)[..., None]
    still = np.cumprod(1.0 - hazard.sum(axis=-1), axis=-1)
    before = np.concatenate([np.ones_like(still[..., :1]), still[..., :-1]], axis=-1)
    return np.cumsum(before[..., None] * hazard, axis=-2)


def _tables(
    part: pl.DataFrame, members: np.ndarray, days: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Losses (member, day, cause) and leavers (member, day) of one level."""
    events = np.zeros((len(members), len(days), len(CAUSES)))
    leaving = np.zeros((len(members), len(days)))
    who = np.searchsorted(members, part["member_id"].to_numpy())
    when = np.searchsorted(days, part["day"].to_numpy())
    np.add.at(leaving, (who, when), 1.0)
    is_lost = (part["fate"] == LOST).to_numpy()
    why = np.array([CAUSES.index(c) if c else 0 for c in part["cause"]], dtype=int)
    np.add.at(events, (who[is_lost], when[is_lost], why[is_lost]), 1.0)
    return events, leaving


def incidence_curves(times: pl.DataFrame) -> pl.DataFrame:
    """Cumulative incidence by level, cause and day.

    Parameters
    ----------
    times : polars.DataFrame
        As ``loss_times`` returns.

    Returns
    -------
    polars.DataFrame
        level, cause (of ``CAUSES``, and ``all causes``), day [d], incidence [%]; a row for every
        day on which any colony of the level leaves, from day 0. Levels in their order.
    """
    rows = []
    for level in LEVELS:
        part = times.filter(pl.col("level") == level, pl.col("day").is_not_null())
        if part.is_empty():
            continue
        days = np.unique(np.append(part["day"].to_numpy(), 0))
        everyone = np.unique(part["member_id"].to_numpy())
        events, leaving = (table.sum(axis=0) for table in _tables(part, everyone, days))
        share = 100.0 * cumulative_incidence(events, leaving)
        for k, cause in enumerate((*CAUSES, ALL_CAUSES)):
            values = share[:, k] if cause != ALL_CAUSES else share.sum(axis=1)
            rows += [(level, cause, int(d), float(v)) for d, v in zip(days, values, strict=True)]
    schema = {"level": pl.String, "cause": pl.String, "day": pl.Int64, "incidence": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def causes_by_level(times: pl.DataFrame, *, seed: int) -> pl.DataFrame:
    """Count losses and estimate their cumulative incidence at the winter's end.

    Parameters
    ----------
    times : polars.DataFrame
        As ``loss_times`` returns.
    seed : int
        Of the resampling of members.

    Returns
    -------
    polars.DataFrame
        level, cause (and ``all causes``), n_units (with a time), n_lost, n_undated, n_members
        (behind n_lost), n_at_risk_members (behind n_units), incidence [%], low and high [%]: 95 %
        interval from members drawn again with replacement, because colonies of one member are
        not independent; null with fewer than two members at the level, and where nothing of that
        cause was lost (such an interval would be 0 to 0, which is not known).
    """
    known = times.filter(pl.col("day").is_not_null(), pl.col("member_id").is_not_null())
    members = np.unique(known["member_id"].to_numpy())
    days = np.unique(known["day"].to_numpy())
    rows: list[dict] = []
    rng, n = np.random.default_rng(seed), len(members)
    draws = rng.multinomial(n, np.full(n, 1 / n), REPLICATES) if n else np.zeros((REPLICATES, 0))
    for level in LEVELS:
        part = known.filter(pl.col("level") == level)
        if part.is_empty():
            continue
        events, leaving = _tables(part, members, days)
        present = leaving.any(axis=1)
        share = _with_total(cumulative_incidence(events.sum(axis=0), leaving.sum(axis=0)))
        again = _with_total(
            cumulative_incidence(np.tensordot(draws, events, axes=1), draws @ leaving)
        )
        again = again[(draws[:, present].sum(axis=1) > 0)]  # a level nobody drawn has used
        limits = np.quantile(again, [0.025, 0.975], axis=0)
        for k, cause in enumerate((*CAUSES, ALL_CAUSES)):
            lost = part.filter(pl.col("fate") == LOST)
            lost = lost if cause == ALL_CAUSES else lost.filter(pl.col("cause") == cause)
            has_interval = lost.height > 0 and present.sum() > 1
            rows.append(
                {
                    "level": level,
                    "cause": cause,
                    "n_units": part.height,
                    "n_lost": lost.height,
                    "n_undated": int((~lost["is_dated"]).sum()),
                    "n_members": lost["member_id"].n_unique(),
                    "n_at_risk_members": int(present.sum()),
                    "incidence": float(share[k]),
                    "low": float(limits[0, k]) if has_interval else None,
                    "high": float(limits[1, k]) if has_interval else None,
                }
            )
    whole = ("n_units", "n_lost", "n_undated", "n_members", "n_at_risk_members")
    schema = {"level": pl.String, "cause": pl.String, **dict.fromkeys(whole, pl.Int64)}
    schema |= dict.fromkeys(("incidence", "low", "high"), pl.Float64)
    return pl.DataFrame(rows, schema=schema)


def _with_total(share: np.ndarray) -> np.ndarray:
    """Percent by the last time, the sum of all causes behind the causes."""
    last = 100.0 * share[..., -1, :]
    return np.concatenate([last, last.sum(axis=-1, keepdims=True)], axis=-1)


def fates_by_level(times: pl.DataFrame) -> pl.DataFrame:
    """Count units by level and fate (level, fate, n_units, n_members), so that none is lost."""
    return (
        times.group_by("level", "fate")
        .agg(
            pl.len().cast(pl.Int64).alias("n_units"),
            pl.col("member_id").n_unique().cast(pl.Int64).alias("n_members"),
        )
        .sort(
            pl.col("level").replace_strict(dict(zip(LEVELS, range(4), strict=True))),
            pl.col("fate").replace_strict(dict(zip(FATES, range(5), strict=True))),
        )
    )
