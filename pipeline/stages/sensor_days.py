"""Sensor readings by day."""

from __future__ import annotations

import polars as pl

from pipeline.settings import Settings
from pipeline.stages.stored import StoredTable


def sensor_days(sensor_readings: StoredTable, settings: Settings) -> pl.DataFrame:
    """Mean, range and coverage of each sensor's day; one row per colony, local day and position."""
    return sensor_readings.reduce("sensor_days", time_zone=settings.study.time_zone)
