"""Weather of the invented stations as files: daily and hourly CSV, and fixed-width daily."""

from __future__ import annotations

import calendar
import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.demo.loggers import UTC_OFFSET_H
from pipeline.demo.weather import STATIONS, Weather, hourly_temperature_c

MISSING = -9999


def write_weather(folder: Path, weather: Weather) -> None:
    """Write one file a station, each in its archive's own form, and the list of stations."""
    pl.DataFrame(
        {
            "station_id": [s.station_id for s in STATIONS],
            "name": [s.name for s in STATIONS],
            "latitude": [s.latitude for s in STATIONS],
            "longitude": [s.longitude for s in STATIONS],
            "elevation_m": [s.elevation_m for s in STATIONS],
        }
    ).write_csv(folder / "stations.csv")
    for number, station in enumerate(STATIONS):
        if station.archive == "daily csv":
            _daily(weather, number).write_csv(folder / f"{station.station_id}-daily.csv")
        elif station.archive == "hourly csv":
            _hourly(weather, number).write_csv(folder / f"{station.station_id}-hourly.csv")
        else:
            lines = "".join(line + "\n" for line in _fixed_width(weather, number))
            (folder / f"{station.station_id}.dly").write_text(lines, encoding="ascii", newline="\n")


def _days(weather: Weather) -> list[dt.date]:
    return [weather.first_day + dt.timedelta(days=day) for day in range(weather.days)]


def _daily(weather: Weather, station: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "station_id": [STATIONS[station].station_id] * weather.days,
            "observed_on": _days(weather),
            "temperature_mean_c": weather.mean_c[station],
            "temperature_max_c": weather.max_c[station],
            "temperature_min_c": weather.min_c[station],
            "wind_mean_m_s": weather.wind_m_s[station],
            "precipitation_mm": weather.precipitation_mm[station],
            "snow_depth_mm": weather.snow_mm[station],
        }
    )


def _hourly(weather: Weather, station: int) -> pl.DataFrame:
    hours = 24 * weather.days
    local = np.datetime64(weather.first_day) + np.arange(hours).astype("timedelta64[h]")
    offset = f"{UTC_OFFSET_H:+03d}:00"
    return pl.DataFrame(
        {
            "station_id": pl.repeat(STATIONS[station].station_id, hours, eager=True),
            "observed_at": pl.Series(local.astype("datetime64[ms]")).dt.strftime(
                f"%Y-%m-%dT%H:%M:%S{offset}"
            ),
            "temperature_c": hourly_temperature_c(weather, station, 0, weather.days).round(1),
            "wind_m_s": np.repeat(weather.wind_m_s[station], 24),
        }
    )


def _fixed_width(weather: Weather, station: int) -> list[str]:
    """Lines of a month and an element each, in tenths of a unit, as GHCN-Daily lays them out.

    One highest temperature carries a quality flag and one lowest is missing, as in real archives.

    References
    ----------
    NOAA GHCN-Daily readme, section III: identifier, year, month, element, then for each of 31
    days a value of five characters and three flags.
    """
    tenths = {
        "TMAX": 10 * weather.max_c[station],
        "TMIN": 10 * weather.min_c[station],
        "PRCP": 10 * weather.precipitation_mm[station],
        "SNWD": weather.snow_mm[station],
        "AWND": 10 * weather.wind_m_s[station],
    }
    by_month: dict[tuple[int, int], list[int]] = {}
    for number, day in enumerate(_days(weather)):
        by_month.setdefault((day.year, day.month), []).append(number)
    lines = []
    for (year, month), days in by_month.items():
        is_marred = (month == 11) and year == weather.first_day.year
        for element, values in tenths.items():
            cells = []
            for cell in range(31):
                is_past = cell >= calendar.monthrange(year, month)[1]
                is_lost = is_marred and element == "TMIN" and cell == 8
                value = MISSING if is_past or is_lost else round(float(values[days[cell]]))
                flags = " X " if is_marred and element == "TMAX" and cell == 16 else "   "
                cells.append(f"{value + (450 if 'X' in flags else 0):5d}{flags}")
            name = STATIONS[station].station_id
            lines.append(f"{name}{year:4d}{month:02d}{element}{''.join(cells)}")
    return lines
