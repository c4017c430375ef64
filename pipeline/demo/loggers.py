"""Readings of the loggers that some invented members have in their hives, hour by hour."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.demo.extent import stream
from pipeline.demo.history import Winter
from pipeline.demo.weather import LAPSE_K_PER_M, STATIONS, Weather, hourly_temperature_c
from pipeline.demo.world import World
from pipeline.physics.moist_air import saturation_pressure

Floats = NDArray[np.float64]

LOGGED_DAYS = 212
"""1 October to 30 April."""
UTC_OFFSET_H = -5
"""The valley's standard time; it knows no summer time."""
POSITIONS = ("under cover", "brood nest", "above cluster")


@dataclass(frozen=True, slots=True)
class Logger:
    """One logger: whose, in which hive, where in it."""

    member: int
    hive: int
    position: str


def place_loggers(world: World) -> list[Logger]:
    """Give the chosen members' first hives a logger each, positions in turn."""
    loggers = []
    for member in np.flatnonzero(world.members.has_loggers):
        hives = np.flatnonzero(world.hives.member == member)
        for number, hive in enumerate(hives[: world.extent.loggers_per_member]):
            position = POSITIONS[(number + int(member)) % len(POSITIONS)]
            loggers.append(Logger(int(member), int(hive), position))
    return loggers


def sensor_readings(
    world: World, weather: Weather, winters: Sequence[Winter]
) -> Iterator[tuple[int, pl.DataFrame]]:
    """Make the readings of one member after the other.

    Yields
    ------
    tuple of int and polars.DataFrame
        Position of the member, and the contract's columns with ``logged_at`` in UTC, without a
        zone. A colony that dies leaves its logger at outside temperature.
    """
    by_member: dict[int, list[Logger]] = {}
    for logger in place_loggers(world):
        by_member.setdefault(logger.member, []).append(logger)
    for member, loggers in by_member.items():
        frames = [
            _one_winter(world, weather, winter, logger) for logger in loggers for winter in winters
        ]
        yield member, pl.concat(frames)


def _one_winter(world: World, weather: Weather, winter: Winter, logger: Logger) -> pl.DataFrame:
    rng = stream(world.seed, "logger", winter.year, logger.hive)
    hive, hours = logger.hive, 24 * LOGGED_DAYS
    outside = _outside_c(world, weather, winter, hive)
    day = np.repeat(np.arange(LOGGED_DAYS), 24)
    heat, brood = (
        part[:LOGGED_DAYS, 0, hive][day]
        for part in (winter.course.heat_w, winter.course.brood_frames)
    )
    stands = winter.conditions.is_set_up[:LOGGED_DAYS, hive][day]
    vent = 0.2 * winter.practice.is_open[hive]
    dressed = winter.dressed.felt_w_per_k[0, hive] + vent
    shell = np.where(stands, dressed, winter.bare.felt_w_per_k[hive])
    is_alive = day < winter.death_day[hive]
    inside = np.where(is_alive, outside + heat / shell, outside)
    inside = _lagged(inside, 5.0 if dressed > 1.5 else 9.0)
    warm = inside
    if logger.position == "above cluster":
        warm = inside + np.where(is_alive, 6.0, 0.0)
    if logger.position == "brood nest":
        weight = 1 / (1 + np.exp(-(brood - 0.45) / 0.10))
        cluster = np.maximum(inside + 9.0, 17.0)
        warm = np.where(is_alive, weight * 34.6 + (1 - weight) * cluster, inside)
    vapour_pa = 0.8 * saturation_pressure(outside)
    breath = np.where(is_alive, 62.0 * heat / (0.9 + 1.2 * winter.practice.is_open[hive]), 0.0)
    humidity = 100 * (vapour_pa + breath / 2) / saturation_pressure(warm)
    humidity = humidity + rng.normal(0, 1.5, hours)
    start = np.datetime64(winter.first_day) - np.timedelta64(UTC_OFFSET_H, "h")
    logged = start + np.arange(hours).astype("timedelta64[h]")
    return pl.DataFrame(
        {
            "colony_id": pl.repeat(winter.colony_id[hive], hours, eager=True),
            "logged_at": pl.Series(logged.astype("datetime64[ms]")),
            "position": pl.repeat(logger.position, hours, eager=True),
            "temperature_c": (warm + rng.normal(0, 0.2, hours)).round(1),
            "humidity_pct": np.clip(humidity, 8.0, 99.5).round(1),
        }
    )


def _outside_c(world: World, weather: Weather, winter: Winter, hive: int) -> Floats:
    apiary = winter.apiary[hive]
    station = int(world.apiaries.station[apiary])
    first = weather.index(dt.date(winter.year, 10, 1))
    height = world.apiaries.elevation_m[apiary] - STATIONS[station].elevation_m
    hourly = hourly_temperature_c(weather, station, first, first + LOGGED_DAYS)
    return np.asarray(hourly - LAPSE_K_PER_M * height)


def _lagged(temperature: Floats, hours: float) -> Floats:
    """Exponential smoothing with the given time constant, starting at the first value."""
    from scipy.signal import lfilter

    keep = np.exp(-1 / hours)
    start = [keep * temperature[0]]
    return np.asarray(lfilter([1 - keep], [1, -keep], temperature, zi=start)[0])
