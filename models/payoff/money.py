"""Discounting: what one sum now is worth as a yearly one, and when savings have paid it back."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

NO_RATE: Final = 1e-12  # below it discounting over any lifetime is lost in rounding


def present_worth(rate: ArrayLike, winters: ArrayLike) -> np.ndarray:
    """Worth now of 1 at the end of each winter (P/A).

    Parameters
    ----------
    rate : array_like, shape (...)
        Discount rate a year, 0 or more.
    winters : array_like, shape (...)
        How many winters, above 0; need not be whole.

    Returns
    -------
    numpy.ndarray, shape (...)
        ``(1 − (1 + rate)^−winters) / rate``; ``winters`` where the rate is 0.

    References
    ----------
    Any textbook of engineering economy, the uniform-series present-worth factor.

    Examples
    --------
    >>> round(float(present_worth(0.05, 10)), 4), float(present_worth(0.0, 10))
    (7.7217, 10.0)
    """
    rate, winters = np.broadcast_arrays(np.asarray(rate, float), np.asarray(winters, float))
    is_plain = rate < NO_RATE
    some = np.where(is_plain, 1.0, rate)
    return np.where(is_plain, winters, -np.expm1(-winters * np.log1p(some)) / some)


def capital_recovery(rate: ArrayLike, winters: ArrayLike) -> np.ndarray:
    """Sum at the end of each winter that recovers 1 spent now (A/P): the annuity.

    Parameters
    ----------
    rate, winters : array_like, shape (...)
        As of ``present_worth``.

    Examples
    --------
    >>> round(float(capital_recovery(0.08, 5)), 4)
    0.2505
    """
    return 1.0 / present_worth(rate, winters)


def winters_to_break_even(cost: ArrayLike, saving: ArrayLike, rate: ArrayLike) -> np.ndarray:
    """Winters until savings at each winter's end, discounted, have paid a sum spent now.

    Parameters
    ----------
    cost : array_like, shape (...)
        Spent now, 0 or more.
    saving : array_like, shape (...)
        At the end of every winter; may be negative.
    rate : array_like, shape (...)
        Discount rate a year, 0 or more.

    Returns
    -------
    numpy.ndarray, shape (...)
        The discounted payback time, not rounded; infinite where savings never pay it. By then
        ``present_worth(rate, winters) * saving`` equals the cost.

    Examples
    --------
    >>> winters_to_break_even(30.0, [10.0, 0.0, -5.0], 0.0).tolist()
    [3.0, inf, inf]
    """
    cost, saving, rate = np.broadcast_arrays(
        np.asarray(cost, float), np.asarray(saving, float), np.asarray(rate, float)
    )
    winters, owed = np.full(saving.shape, np.inf), np.full(saving.shape, np.inf)
    with np.errstate(over="ignore"):  # next to no saving: infinitely long
        np.divide(rate * cost, saving, out=owed, where=saving > 0)
        is_paid = owed < 1.0  # otherwise interest takes every saving
        is_plain, is_discounted = is_paid & (rate < NO_RATE), is_paid & (rate >= NO_RATE)
        winters[is_plain] = cost[is_plain] / saving[is_plain]
    winters[is_discounted] = -np.log1p(-owed[is_discounted]) / np.log1p(rate[is_discounted])
    return winters
