"""How strong an unmeasured confounder would have to be to make the answer out of nothing.

A confounder is something that nobody recorded, that goes with the set-up and moves the outcome, for
instance members who give the better box to the better colony. Its two strengths are risk
ratios: how much more common it is at one level than at the other, and how much more likely the
outcome is with it than without. Nothing here says that it exists.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Final

import numpy as np
import polars as pl

from pipeline.errors import ModelError

LOG_RATIO_PER_SD: Final = 0.91  # log risk ratio of one standardised difference, approximately
LOG_RATIO_PER_SE: Final = 1.78  # 0.91 times 1.96, for the limits
STRENGTHS: Final = (1.1, 1.25, 1.5, 2.0, 3.0, 5.0)

GRID_SCHEMA: Final = {
    "with_exposure": pl.Float64,
    "with_outcome": pl.Float64,
    "bounding_factor": pl.Float64,
    "risk_ratio": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "is_estimate_explained": pl.Boolean,
    "is_interval_explained": pl.Boolean,
}


def _positive(name: str, value: float) -> float:
    if not (np.isfinite(value) and value > 0.0):
        raise ModelError(
            f"{name} is {value}, which is not a ratio above zero.",
            mend="Give a finite ratio above zero.",
        )
    return float(value)


def _ordered(risk_ratio: float, low: float, high: float) -> tuple[float, float, float]:
    estimate, *limits = (
        _positive(name, value)
        for name, value in (("risk ratio", risk_ratio), ("lower", low), ("upper", high))
    )
    if not limits[0] <= estimate <= limits[1]:
        raise ModelError(
            f"The risk ratio {estimate} lies outside its own limits {limits[0]} to {limits[1]}.",
            mend="Give the limits of the same estimate, the lower one first.",
        )
    return estimate, limits[0], limits[1]


def e_value(risk_ratio: float) -> float:
    """Least strength that both ties of a confounder would need to explain a risk ratio away.

    Parameters
    ----------
    risk_ratio : float
        Above zero; below 1 it is inverted.

    Returns
    -------
    float
        A risk ratio, at least 1. A confounder tied to the exposure and to the outcome by less than
        this each, beyond what is adjusted for, could not make the risk ratio out of nothing.

    Raises
    ------
    ModelError
        The ratio is not above zero.

    Notes
    -----
    The ratio of surviving and the ratio of being lost have different E-values: where most
    colonies survive, the one of being lost is much the larger. Say which is meant.

    References
    ----------
    VanderWeele, Ding (2017), "Sensitivity analysis in observational research: introducing the
    E-value", Ann. Intern. Med. 167:268-274, doi:10.7326/M16-2607.

    Examples
    --------
    >>> round(e_value(0.80), 3), round(e_value(10.73), 5)
    (1.809, 20.94777)
    """
    ratio = _positive("risk ratio", risk_ratio)
    ratio = max(ratio, 1.0 / ratio)
    return ratio + float(np.sqrt(ratio * (ratio - 1.0)))


def limit_e_value(risk_ratio: float, low: float, high: float) -> float:
    """E-value of the interval's limit nearer to 1: to move the interval so that it holds 1.

    Parameters
    ----------
    risk_ratio, low, high : float
        Estimate and limits of its interval.

    Returns
    -------
    float
        1 when the interval holds 1 already.

    Raises
    ------
    ModelError
        A number is not above zero, or the estimate lies outside its limits.

    Examples
    --------
    >>> round(limit_e_value(0.80, 0.71, 0.91), 3), limit_e_value(1.2, 0.9, 1.6)
    (1.429, 1.0)
    """
    _, low, high = _ordered(risk_ratio, low, high)
    if low <= 1.0 <= high:
        return 1.0
    return e_value(low if low > 1.0 else high)


def risk_ratio_of_odds_ratio(odds_ratio: float, *, is_common: bool) -> float:
    """Approximate risk ratio of an odds ratio.

    Parameters
    ----------
    odds_ratio : float
        Above zero.
    is_common : bool
        Whether the outcome befalls more than about 15 % by the end of follow-up: the square root
        is taken. A rare outcome's odds ratio is its risk ratio.

    References
    ----------
    VanderWeele, Ding (2017), as above.

    Examples
    --------
    >>> round(risk_ratio_of_odds_ratio(0.86, is_common=True), 3)
    0.927
    """
    ratio = _positive("odds ratio", odds_ratio)
    return float(np.sqrt(ratio)) if is_common else ratio


def risk_ratio_of_difference(
    difference: float, standard_error: float
) -> tuple[float, float, float]:
    """Approximate risk ratio, with its 95 % limits, of a standardised difference.

    Parameters
    ----------
    difference : float
        Between two levels, over the outcome's standard deviation.
    standard_error : float
        Of that, on the same scale; not negative.

    Returns
    -------
    risk_ratio, low, high : float
        For ``e_value`` and ``limit_e_value``; above 1 for a positive difference.

    Raises
    ------
    ModelError
        A number is not finite, or the standard error is negative.

    Notes
    -----
    As if the outcome were normal and cut in two at a common value: rough.

    References
    ----------
    VanderWeele, Ding (2017), as above; Chinn (2000), Stat. Med. 19:3127-3131 for the step from
    differences to odds ratios (both from memory).

    Examples
    --------
    >>> ratio, low, high = risk_ratio_of_difference(0.5, 0.2)
    >>> round(e_value(ratio), 2), round(limit_e_value(ratio, low, high), 2)
    (2.53, 1.44)
    """
    if not (np.isfinite(difference) and np.isfinite(standard_error) and standard_error >= 0.0):
        raise ModelError(
            f"A difference of {difference} with standard error {standard_error} cannot be used.",
            mend="Give a finite difference and a standard error of zero or more.",
        )
    centre, half = LOG_RATIO_PER_SD * difference, LOG_RATIO_PER_SE * standard_error
    ratio, low, high = (float(np.exp(x)) for x in (centre, centre - half, centre + half))
    return ratio, low, high


def bounding_factor(with_exposure: float, with_outcome: float) -> float:
    """Most by which an unmeasured confounder can have moved a risk ratio.

    Parameters
    ----------
    with_exposure : float
        How many times as common the confounder is at one level as at the other; at least 1.
    with_outcome : float
        How many times as likely the outcome is with the confounder as without, at either level;
        at least 1.

    Returns
    -------
    float
        At least 1: the true risk ratio is at least the seen one over this factor (for a ratio above
        1), whatever else is true of the confounder.

    Raises
    ------
    ModelError
        A strength is below 1 or not finite.

    References
    ----------
    Ding, VanderWeele (2016), "Sensitivity analysis without assumptions", Epidemiology 27:368-377.

    Examples
    --------
    >>> bounding_factor(2.0, 2.0), bounding_factor(1.0, 10.0)
    (1.3333333333333333, 1.0)
    """
    for name, value in (("the set-up", with_exposure), ("the outcome", with_outcome)):
        if not (np.isfinite(value) and value >= 1.0):
            raise ModelError(
                f"The confounder’s strength with {name} is {value}, not a ratio of 1 or more.",
                mend="Give a ratio of 1 or more; invert one below 1.",
            )
    return with_exposure * with_outcome / (with_exposure + with_outcome - 1.0)


def bias_grid(
    risk_ratio: float,
    low: float,
    high: float,
    *,
    strengths: Sequence[float] = STRENGTHS,
) -> pl.DataFrame:
    """What remains of a risk ratio behind unmeasured confounders of given strengths.

    Parameters
    ----------
    risk_ratio, low, high : float
        Estimate and limits of its interval.
    strengths : sequence of float
        Risk ratios of 1 or more, used for both ties.

    Returns
    -------
    polars.DataFrame
        One row a pair of strengths: with_exposure, with_outcome, bounding_factor, risk_ratio, low
        and high as they would be with all of the bias taken off towards 1, is_estimate_explained
        (the estimate reaches 1 or passes it), is_interval_explained (the interval holds 1 or has
        passed it; true everywhere when it held 1 from the start).

    Raises
    ------
    ModelError
        As for ``limit_e_value`` and ``bounding_factor``.

    Notes
    -----
    The worst case for each pair of strengths, in the direction that weakens the answer. The same
    factor moves the estimate and both limits. A bias the other way would strengthen it.

    Examples
    --------
    >>> grid = bias_grid(0.80, 0.71, 0.91, strengths=(1.25, 2.0))
    >>> grid["risk_ratio"].round(2).to_list(), grid["is_estimate_explained"].to_list()
    ([0.83, 0.89, 0.89, 1.07], [False, False, False, True])
    """
    seen = np.array(_ordered(risk_ratio, low, high))
    is_above = seen[0] >= 1.0
    rows = []
    for exposure, outcome in product(strengths, repeat=2):
        factor = bounding_factor(exposure, outcome)
        left = seen / factor if is_above else seen * factor
        nearest = left[1] if is_above else left[2]
        rows.append(
            (
                float(exposure),
                float(outcome),
                factor,
                *map(float, left),
                bool(left[0] <= 1.0 if is_above else left[0] >= 1.0),
                bool(nearest <= 1.0 if is_above else nearest >= 1.0),
            )
        )
    return pl.DataFrame(rows, schema=GRID_SCHEMA, orient="row")
