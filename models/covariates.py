"""Covariates with gaps and counting errors: what is known, how well, and on which scale.

Every covariate enters the model as ``mean + sd * z`` with ``z ~ Normal(0, 1)``, standardised.
A value known exactly has sd 0. A value read with error has the mean and sd that remain after
weighing the reading against the spread of the pool. A missing value has the mean and spread of
its group (member or winter), shrunk towards the pool as far as groups differ. So no unit is
dropped for a gap, no indicator of missingness is adjusted for, and the uncertainty reaches
the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl


@dataclass(frozen=True, slots=True)
class Covariate:
    """One standardised covariate of every unit.

    Attributes
    ----------
    name : str
    location, scale : float
        What was subtracted and divided by, in the covariate's own unit.
    mean, sd : numpy.ndarray, shape (unit,)
        Standardised mean and remaining uncertainty of each unit's value.
    place : numpy.ndarray, shape (unit,)
        Which unit, apiary or apiary-winter the value belongs to: units of one place share
        one unknown.
    n_known : int
        Units whose value is recorded.
    """

    name: str
    location: float
    scale: float
    mean: np.ndarray
    sd: np.ndarray
    place: np.ndarray
    n_known: int


def floats(frame: pl.DataFrame, column: str) -> np.ndarray:
    """Return a column as floats, NaN where it is empty; shape (row,)."""
    return frame[column].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(float)


def _spread(values: np.ndarray, group: np.ndarray, error: np.ndarray) -> tuple[float, float]:
    """Variance within and between groups, counting error taken off; by moments."""
    total = float(np.var(values)) - float(np.mean(error**2))
    labels, inverse, counts = np.unique(group, return_inverse=True, return_counts=True)
    if len(labels) < 2 or len(values) <= len(labels):
        return max(total, 0.0), 0.0
    means = np.bincount(inverse, values) / counts
    within = float(np.sum((values - means[inverse]) ** 2) / (len(values) - len(labels)))
    between = max(float(np.var(values)) - within, 0.0)
    return max(within - float(np.mean(error**2)), 0.05 * within), between


def describe_covariate(
    name: str,
    values: np.ndarray,
    *,
    place: np.ndarray,
    group: np.ndarray,
    error_sd: np.ndarray | None = None,
    least_scale: float,
) -> Covariate | None:
    """Standardise a covariate and say how uncertain each unit's value is.

    Parameters
    ----------
    name : str
    values : numpy.ndarray, shape (unit,)
        In the covariate's own unit; NaN where not recorded.
    place : numpy.ndarray of int, shape (unit,)
        Units of one place share one value (an apiary's elevation, say).
    group : numpy.ndarray of int, shape (unit,)
        Where a missing value is best guessed from: member or winter.
    error_sd : numpy.ndarray, shape (unit,), optional
        Error of each reading, same unit; missing readings and NaN count as none.
    least_scale : float
        Divisor at least this large, so that a hair's difference is not blown up.

    Returns
    -------
    Covariate or None
        None when nothing is recorded or nothing varies.

    Notes
    -----
    Spread between and within groups is plugged in, not learnt in the joint model; the
    covariate's distribution is taken as normal and not modelled on the level.
    """
    known = np.isfinite(values)
    if known.sum() < 2 or np.ptp(values[known]) == 0:
        return None
    error = np.zeros(len(values)) if error_sd is None else np.nan_to_num(error_sd, nan=0.0)
    location = float(values[known].mean())
    within, between = _spread(values[known], group[known], error[known])
    total = within + between
    scale = max(float(np.sqrt(total)), least_scale)

    mean = np.full(len(values), location)
    variance = np.zeros(len(values))
    gain = total / (total + error[known] ** 2) if total > 0 else np.zeros(known.sum())
    mean[known] = location + gain * (values[known] - location)
    variance[known] = gain * error[known] ** 2
    for label in np.unique(group[~known]):
        own = known & (group == label)
        count, share = int(own.sum()), 0.0
        if count and total > 0:
            noise = within + float(np.mean(error[own] ** 2))
            share = between / (between + noise / count)
        gap = ~known & (group == label)
        own_mean = float(values[own].mean()) if count else location
        mean[gap] = location + share * (own_mean - location)
        variance[gap] = within + between * (1.0 - share)
    return Covariate(
        name=name,
        location=location,
        scale=scale,
        mean=(mean - location) / scale,
        sd=np.sqrt(variance) / scale,
        place=place,
        n_known=int(known.sum()),
    )


def beyond(values: np.ndarray, other: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Take off a place's values what another covariate tells of it already, by least squares.

    A station's temperatures are moved to the apiary's height, so the cold of a place and its
    height nearly say the same: left together their slopes would trade off along a ridge on which
    the chains crawl.

    Parameters
    ----------
    values : numpy.ndarray, shape (unit,)
        The same for all units of a place; NaN where not recorded.
    other : numpy.ndarray, shape (unit,)
    place : numpy.ndarray of int, shape (unit,)

    Returns
    -------
    numpy.ndarray, shape (unit,)
        What is left, in the unit of ``values``; NaN stays.

    Examples
    --------
    >>> left = beyond(np.array([100.0, 200.0, 300.0]), np.array([1.0, 2.0, 3.0]), np.arange(3))
    >>> bool(np.allclose(left, 0.0))
    True
    """
    counts = np.maximum(np.bincount(place), 1)
    of_place = (np.bincount(place, other) / counts)[place]
    known = np.isfinite(values)
    if known.sum() < 3 or np.ptp(of_place[known]) == 0:
        return values
    slope, start = np.polyfit(of_place[known], values[known], 1)
    return values - (start + slope * of_place)
