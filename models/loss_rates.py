"""Winter loss rates as loss surveys publish them, to stand beside the model's survival.

A description, adjusted for nothing: the *overall* rate counts every colony once and so speaks
mostly of those who keep many; the *average* rate counts every member once.

Rules
-----
1. Units are colony-winters without an exclusion reason whose member and fate are known. A fate
   that is not known is left out and counted.
2. Losses to disaster are left out and counted, as everywhere in this study. The survey standard
   counts them as lost: a rate of theirs that includes them is higher by their share.
3. Lost is everything but alive with a laying queen in spring: dead, too few bees to carry on, or
   a queen problem not solved.
4. A member is a cluster, over all winters of a row: colonies of one member are not independent.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from scipy import stats

from models.vocabulary import LEVELS

ALL: Final = "all"
COUNTS: Final = ("n_members", "n_colonies", "n_lost", "n_disaster", "n_unknown")
RATES: Final = (
    "overall_pct",
    "overall_low_pct",
    "overall_high_pct",
    "average_pct",
    "average_low_pct",
    "average_high_pct",
)
LOSS_RATES_SCHEMA: Final = {
    "winter": pl.Int64,
    "level": pl.String,
    **dict.fromkeys(COUNTS, pl.Int64),
    "dispersion": pl.Float64,
    **dict.fromkeys(RATES, pl.Float64),
    "reason": pl.String,
}
Interval = tuple[float, float]


def overall_rate(
    lost: np.ndarray, at_risk: np.ndarray, *, level: float = 0.95
) -> tuple[float, float, Interval | None]:
    """Overall loss rate, with an interval that allows for clusters.

    Parameters
    ----------
    lost, at_risk : numpy.ndarray of int, shape (cluster,)
        Colonies lost and colonies wintered of each member; at least one member and no
        ``at_risk`` of zero.
    level : float
        Coverage of the interval, in (0, 1).

    Returns
    -------
    rate : float
        Lost over wintered, in [0, 1].
    dispersion : float
        Pearson's: 1 when colonies are lost independently at one rate; NaN when it cannot be
        estimated.
    interval : (float, float) or None
        None with fewer than two members, with no or only losses, and where all members lost
        the same share, so that no spread between them is seen.

    Notes
    -----
    The interval of a quasi-binomial generalised linear model with an intercept only: symmetric on
    the logit scale, ``logit(rate) ± z sqrt(dispersion / (n rate (1 - rate)))``. With the intercept
    alone the fit is the pooled rate, so nothing has to be iterated. A dispersion below 1 is
    used as it is. With few members the interval is too narrow (normal, not t, as published).

    References
    ----------
    van der Zee et al. (2013), "Standard survey methods for estimating colony losses and
    explanatory risk factors in Apis mellifera", J. Apic. Res. 52(4), section 10.3.2,
    doi:10.3896/IBRA.1.52.4.18: overall and average rate. The quasi-binomial interval:
    vanEngelsdorp et al. (2013), "Standard epidemiological methods to understand and improve
    Apis mellifera health", J. Apic. Res. 52(1), section 1.3.3.1.1 (seen as quoted elsewhere).

    Examples
    --------
    Three members lost 1 of 10, 2 of 10 and 6 of 20.

    >>> rate, dispersion, (low, high) = overall_rate(np.array([1, 2, 6]), np.array([10, 10, 20]))
    >>> [round(x, 3) for x in (rate, dispersion, low, high)]
    [0.225, 0.789, 0.131, 0.359]
    """
    n = int(at_risk.sum())
    rate = float(lost.sum() / n)
    spread = rate * (1.0 - rate)
    if len(lost) < 2 or spread == 0.0:
        return rate, float("nan"), None
    pearson = (lost - at_risk * rate) ** 2 / (at_risk * spread)
    dispersion = float(pearson.sum() / (len(lost) - 1))
    if dispersion < 1e-9:
        return rate, dispersion, None
    half = stats.norm.ppf(0.5 + level / 2) * np.sqrt(dispersion / (n * spread))
    centre = np.log(rate / (1.0 - rate))
    low, high = (float(1.0 / (1.0 + np.exp(-(centre + sign * half)))) for sign in (-1, 1))
    return rate, dispersion, (low, high)


def average_rate(
    lost: np.ndarray, at_risk: np.ndarray, *, level: float = 0.95
) -> tuple[float, Interval | None]:
    """Average of the members' own loss rates, with the interval of a mean.

    Parameters
    ----------
    lost, at_risk : numpy.ndarray of int, shape (cluster,)
    level : float

    Returns
    -------
    rate : float
        In [0, 1].
    interval : (float, float) or None
        By Student's t, cut off at 0 and 1; None with fewer than two members, and where all have
        the same rate.

    Notes
    -----
    Rates of members with few colonies scatter more and count as much as others, and many are
    zero: the interval is rough.

    References
    ----------
    van der Zee et al. (2013), as above, section 10.3.2: the interval is to be one of an average.
    Which one it leaves open; Student's t is common practice.

    Examples
    --------
    >>> rate, (low, high) = average_rate(np.array([1, 2, 6]), np.array([10, 10, 20]))
    >>> round(rate, 3), low, round(high, 3)
    (0.2, 0.0, 0.448)
    """
    rates = lost / at_risk
    rate = float(rates.mean())
    if len(rates) < 2 or np.ptp(rates) == 0.0:
        return rate, None
    half = stats.t.ppf(0.5 + level / 2, len(rates) - 1) * rates.std(ddof=1) / np.sqrt(len(rates))
    return rate, (max(rate - float(half), 0.0), min(rate + float(half), 1.0))


def _reason(n_members: int, lost: int, n: int, dispersion: float) -> str:
    if n == 0:
        return "no colony with a known fate"
    if n_members < 2:
        return "one member only: no spread between members is seen"
    if lost in (0, n):
        which = "no colony was lost" if lost == 0 else "every colony was lost"
        return f"{which}: the overall rate’s interval cannot be worked out on the logit scale"
    if dispersion < 1e-9:
        return "all members lost the same share: no spread between members is seen"
    return ""


def _row(winter: int | None, level: str, units: pl.DataFrame) -> dict:
    known = units.filter(~pl.col("is_disaster"), pl.col("is_alive").is_not_null())
    members = (
        known.group_by("member_id")
        .agg(lost=(~pl.col("is_alive")).sum(), n=pl.len())
        .sort("member_id")
    )
    lost, n = members["lost"].to_numpy().astype(int), members["n"].to_numpy().astype(int)
    n_disaster = units.filter(pl.col("is_disaster")).height
    row: dict = {
        "winter": winter,
        "level": level,
        "n_members": members.height,
        "n_colonies": known.height,
        "n_lost": int(lost.sum()),
        "n_disaster": n_disaster,
        "n_unknown": units.height - known.height - n_disaster,
        "dispersion": None,
        **dict.fromkeys(RATES),
    }
    dispersion = float("nan")
    if known.height:
        overall, dispersion, overall_span = overall_rate(lost, n)
        average, average_span = average_rate(lost, n)
        row["dispersion"] = dispersion if np.isfinite(dispersion) else None
        for name, rate, span in (
            ("overall", overall, overall_span),
            ("average", average, average_span),
        ):
            row[f"{name}_pct"] = 100.0 * rate
            if span is not None:
                row[f"{name}_low_pct"], row[f"{name}_high_pct"] = (100.0 * x for x in span)
    return row | {"reason": _reason(members.height, int(lost.sum()), known.height, dispersion)}


def loss_rates(colony_winters: pl.DataFrame) -> pl.DataFrame:
    """Overall and average winter loss rates by level and for the pool.

    Parameters
    ----------
    colony_winters : polars.DataFrame
        As ``data_contracts/derived`` describes; winter, member_id, exclusion_reason, level,
        is_alive and is_disaster are read.

    Returns
    -------
    polars.DataFrame
        winter (null: all winters together), level (``all``: whatever the level, and where none
        is known), n_members, n_colonies, n_lost (of the colony-winters behind the rates),
        n_disaster and n_unknown (left out), dispersion, then overall and average rate [%], each
        with its 95 % interval [%], and a reason where the overall rate has none. Levels in their
        order over all winters, then ``all``, then ``all`` in each winter where there are several.
    """
    units = colony_winters.filter(
        pl.col("exclusion_reason").is_null(), pl.col("member_id").is_not_null()
    ).with_columns(level=pl.col("level").cast(pl.String), winter=pl.col("winter").cast(pl.Int64))
    if units.is_empty():
        return pl.DataFrame(schema=LOSS_RATES_SCHEMA)
    rows = [
        _row(None, level, part)
        for level in LEVELS
        if (part := units.filter(pl.col("level") == level)).height
    ]
    rows.append(_row(None, ALL, units))
    winters = units["winter"].unique().sort().to_list()
    if len(winters) > 1:
        rows += [_row(w, ALL, units.filter(pl.col("winter") == w)) for w in winters]
    return pl.DataFrame(rows, schema=LOSS_RATES_SCHEMA)
