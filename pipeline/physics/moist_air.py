"""Saturation pressure and dew point of moist air, by a psychrometrics library.

The library's functions take one number at a time, so saturation pressure is asked for once on a
fine grid and read off between its points (the logarithm along a straight line; the error is
below one part in a million).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.envelope import Array, refuse

_COLDEST_C, _WARMEST_C, _STEP_C = -100.0, 80.0, 0.05


@cache
def _saturation_table() -> tuple[Array, Array]:
    """Temperatures [°C] and the logarithm of saturation pressure [Pa], both rising."""
    import psychrolib  # brings Numba, which takes a second to load

    psychrolib.SetUnitSystem(psychrolib.SI)
    count = round((_WARMEST_C - _COLDEST_C) / _STEP_C) + 1
    temperature = np.linspace(_COLDEST_C, _WARMEST_C, count)
    pressure = np.array([psychrolib.GetSatVapPres(float(t)) for t in temperature])
    return temperature, np.log(pressure)


def saturation_pressure(temperature_c: ArrayLike) -> Array:
    """Saturation pressure of water vapour, over ice below freezing.

    Parameters
    ----------
    temperature_c : array_like, shape (...)
        Air temperature [°C]; -100 to 80, NaN stays NaN.

    Returns
    -------
    numpy.ndarray, shape (...)
        Pressure [Pa].

    Raises
    ------
    PhysicsDomainError
        A temperature is outside the range.

    References
    ----------
    ASHRAE Handbook of Fundamentals (2017), chapter 1, equations 5 and 6, as psychrolib has them.

    Examples
    --------
    >>> round(float(saturation_pressure(20.0)))
    2339
    """
    temperature = np.asarray(temperature_c, dtype=float)
    refuse(
        (temperature < _COLDEST_C) | (temperature > _WARMEST_C),
        f"A temperature is outside {_COLDEST_C:g} to {_WARMEST_C:g} °C",
        "Check the sensor's units.",
    )
    return np.asarray(np.exp(np.interp(temperature, *_saturation_table())))


def dew_point(temperature_c: ArrayLike, humidity_pct: ArrayLike) -> Array:
    """Temperature at which moist air begins to deposit water or frost.

    Parameters
    ----------
    temperature_c : array_like, shape (...)
        Air temperature [°C]; -60 to 80, NaN stays NaN.
    humidity_pct : array_like, shape (...)
        Relative humidity [%]; above 0, at most 100, NaN stays NaN.

    Returns
    -------
    numpy.ndarray, shape (...)
        Dew point, or frost point below freezing [°C].

    Raises
    ------
    PhysicsDomainError
        A temperature or humidity is outside its range.

    Notes
    -----
    Air drier than the vapour pressure at -100 °C gets -100 °C.

    References
    ----------
    As ``saturation_pressure``.

    Examples
    --------
    >>> round(float(dew_point(20.0, 50.0)), 1)
    9.3
    """
    temperature = np.asarray(temperature_c, dtype=float)
    humidity = np.asarray(humidity_pct, dtype=float)
    refuse(
        (temperature < -60.0) | (temperature > _WARMEST_C),
        f"A temperature is outside -60 to {_WARMEST_C:g} °C",
        "Check the sensor's units.",
    )
    refuse(
        (humidity <= 0.0) | (humidity > 100.0),
        "A relative humidity is not above 0 and at most 100 %",
        "Check the sensor's units.",
    )
    if not temperature.size * humidity.size:  # a pool without loggers need not wait for the table
        return np.empty(np.broadcast_shapes(temperature.shape, humidity.shape))
    grid_c, grid_log_pa = _saturation_table()
    log_pressure = np.interp(temperature, grid_c, grid_log_pa) + np.log(humidity / 100.0)
    return np.asarray(np.interp(log_pressure, grid_log_pa, grid_c))
