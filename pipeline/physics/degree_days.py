"""Cold met by a colony, in degree-days."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.errors import PhysicsDomainError
from pipeline.physics.envelope import Array, refuse

# Fall of temperature with height in the ICAO standard atmosphere, from memory.
LAPSE_RATE_K_PER_M: Final = 6.5e-3


def degree_days(daily_mean_c: ArrayLike, base_c: float) -> Array:
    """Degree-days of each day below a base temperature.

    Parameters
    ----------
    daily_mean_c : array_like, shape (day,)
        Mean air temperature of each day [°C]; NaN stays NaN.
    base_c : float
        Base temperature [°C].

    Returns
    -------
    numpy.ndarray, shape (day,)
        max(0, base - mean) [K·day].

    Raises
    ------
    PhysicsDomainError
        The base is not finite, or a mean is outside -95 to 65 °C.

    Examples
    --------
    >>> degree_days([-5.0, 4.0, 12.0], 10.0).tolist()
    [15.0, 6.0, 0.0]
    """
    if not np.isfinite(base_c):
        raise PhysicsDomainError("The base temperature is not a number.", mend="Give it in °C.")
    mean = np.asarray(daily_mean_c, dtype=float)
    refuse(
        (mean < -95.0) | (mean > 65.0),
        "A daily mean temperature is outside -95 to 65 °C",
        "Check the weather file's units.",
    )
    return np.asarray(np.where(np.isnan(mean), np.nan, np.maximum(0.0, base_c - mean)))


def daily_mean_from_extremes(maximum_c: ArrayLike, minimum_c: ArrayLike) -> Array:
    """Daily mean by the custom of weather services, half the sum of the day's extremes.

    Parameters
    ----------
    maximum_c, minimum_c : array_like, shape (day,)
        The day's highest and lowest temperature [°C]; NaN in either gives NaN.

    Returns
    -------
    numpy.ndarray, shape (day,)
        Mean [°C].

    Raises
    ------
    PhysicsDomainError
        A day's minimum is above its maximum.

    Examples
    --------
    >>> daily_mean_from_extremes([4.4], [0.6]).tolist()
    [2.5]
    """
    maximum, minimum = np.asarray(maximum_c, dtype=float), np.asarray(minimum_c, dtype=float)
    refuse(
        minimum > maximum,
        "A day's lowest temperature is above its highest",
        "Check that the two columns are not swapped.",
    )
    return np.asarray((maximum + minimum) / 2.0)


def elevation_correction(place_m: ArrayLike, station_m: ArrayLike) -> Array:
    """What to add to a station's temperatures for a place at another height.

    Parameters
    ----------
    place_m, station_m : array_like, shape (...)
        Heights above sea level [m]; NaN gives NaN.

    Returns
    -------
    numpy.ndarray, shape (...)
        Correction [K], negative for a higher place.

    Notes
    -----
    The standard atmosphere's mean fall. In calm winter nights valleys lie colder than slopes,
    and the true difference can have the other sign.

    References
    ----------
    ICAO standard atmosphere, 6.5 K/km, from memory.

    Examples
    --------
    >>> float(elevation_correction(500, 300))
    -1.3
    """
    rise = np.asarray(place_m, dtype=float) - np.asarray(station_m, dtype=float)
    return np.asarray(-LAPSE_RATE_K_PER_M * rise)
