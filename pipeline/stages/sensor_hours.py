"""Hive air by hour."""

from __future__ import annotations

import polars as pl

from pipeline.settings import Settings
from pipeline.stages.stored import StoredTable


def sensor_hours(sensor_readings: StoredTable, settings: Settings) -> pl.DataFrame:
    """Hourly means of the air above the colony and outside; one row per colony and winter hour.

    Hours without both temperature and humidity above the colony have no row. The winter's days
    are counted in UTC.
    """
    starts_on, ends_on = (
        int(day.replace("-", "")) for day in (settings.winter.starts_on, settings.winter.ends_on)
    )
    return sensor_readings.reduce("sensor_hours", starts_on=starts_on, ends_on=ends_on)
