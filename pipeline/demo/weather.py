"""Invented weather of the invented valley: a season, slow and fast swings, four stations."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.extent import Extent, stream

Floats = NDArray[np.float64]

LAPSE_K_PER_M = 0.0065
"""Mean fall of temperature with height, ISO 2533 standard atmosphere."""


@dataclass(frozen=True, slots=True)
class Station:
    """One invented weather station; ``archive`` is the kind of file its records come in."""

    station_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    archive: str


STATIONS = (
    Station("veldrune-mill", "Veldrune Mill (invented)", 48.41, -40.12, 240.0, "daily csv"),
    Station("tarrow-lock", "Tarrow Lock (invented)", 48.47, -40.31, 330.0, "daily csv"),
    Station("ZZM00000301", "Hesk Saddle (invented)", 48.55, -40.22, 520.0, "ghcn daily"),
    Station("orrin-school", "Orrin School (invented)", 48.38, -40.44, 410.0, "hourly csv"),
)
"""They lie in mid-ocean, where nobody keeps bees, because the valley does not exist."""


@dataclass(frozen=True, slots=True)
class Weather:
    """Daily weather of all stations.

    Attributes
    ----------
    first_day : datetime.date
        Day of index 0.
    mean_c, max_c, min_c, wind_m_s, precipitation_mm, snow_mm : numpy.ndarray, shape (station, day)
        Temperatures [degC], wind [m/s], precipitation [mm of water], snow on the ground [mm].
    """

    first_day: dt.date
    mean_c: Floats
    max_c: Floats
    min_c: Floats
    wind_m_s: Floats
    precipitation_mm: Floats
    snow_mm: Floats

    @property
    def days(self) -> int:
        """Number of days covered."""
        return int(self.mean_c.shape[1])

    def index(self, day: dt.date) -> int:
        """Index of a day along the last axis."""
        return (day - self.first_day).days


def _autoregression(noise: Floats, memory: float) -> Floats:
    """First-order autoregression of unit variance along the last axis."""
    from scipy.signal import lfilter

    scaled = noise * np.sqrt(1.0 - memory**2)
    scaled[..., 0] = noise[..., 0]
    return np.asarray(lfilter([1.0], [1.0, -memory], scaled, axis=-1))


def build_weather(extent: Extent, seed: int) -> Weather:
    """Draw daily weather from 1 August of the first winter to 31 May of the last."""
    rng = stream(seed, "weather")
    first = dt.date(extent.winter_years[0], 8, 1)
    days = (dt.date(extent.winter_years[-1] + 1, 6, 1) - first).days
    calendar = np.array([(first + dt.timedelta(days=i)).timetuple().tm_yday for i in range(days)])
    season = 5.0 - 15.0 * np.cos(2 * np.pi * (calendar - 18) / 365.25)
    winter_no = np.array(
        [(first + dt.timedelta(days=i - 212)).year - extent.winter_years[0] for i in range(days)]
    )
    harshness = rng.normal(0.0, 1.2, extent.winters)
    regional = 4.2 * _autoregression(rng.standard_normal(days), 0.8)
    local = 1.1 * _autoregression(rng.standard_normal((len(STATIONS), days)), 0.5)
    height = np.array([s.elevation_m for s in STATIONS])[:, None]
    mean = season + harshness[winter_no] + regional + local - LAPSE_K_PER_M * (height - 300.0)
    swing = np.clip(rng.normal(4.2, 1.4, mean.shape) + 1.2 * np.sin(season / 12), 0.8, None)
    wind = np.exp(rng.normal(0.9, 0.45, mean.shape)) * (1 + 0.0006 * (height - 240.0))
    wet = rng.random(mean.shape) < 0.36
    water = np.where(wet, rng.gamma(0.8, 5.0, mean.shape), 0.0)
    snow = np.zeros_like(mean)
    for day in range(1, days):
        fallen = np.where(mean[:, day] < 0.5, 9.0 * water[:, day], 0.0)
        melted = np.clip(mean[:, day], 0.0, None) * 35.0
        snow[:, day] = np.clip(0.985 * snow[:, day - 1] + fallen - melted, 0.0, None)
    mean = mean.round(1)
    return Weather(
        first_day=first,
        mean_c=mean,
        max_c=(mean + swing).round(1),
        min_c=(mean - swing).round(1),
        wind_m_s=wind.round(1),
        precipitation_mm=water.round(1),
        snow_mm=(snow / 10).round() * 10,
    )


def hourly_temperature_c(weather: Weather, station: int, day_from: int, day_to: int) -> Floats:
    """Hour by hour air temperature of days ``day_from`` up to but without ``day_to``.

    Returns
    -------
    numpy.ndarray, shape (hours,)
        Temperature [degC], coldest at 5 and warmest at 17 o'clock standard time, whose mean of
        a day is that day's mean.
    """
    hours = np.arange(24)
    mean = weather.mean_c[station, day_from:day_to, None]
    swing = (weather.max_c - weather.min_c)[station, day_from:day_to, None] / 2
    return np.asarray((mean - swing * np.cos(2 * np.pi * (hours - 5) / 24)).ravel())
