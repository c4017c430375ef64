"""Daily mean temperature at each weather station."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.physics.degree_days import daily_mean_from_extremes
from pipeline.settings import Settings

MINIMUM_HOURS: Final = 18  # of 24: a mean of fewer leans to the part of the day that was read


def station_days(
    weather_daily: pl.DataFrame, weather_hourly: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Daily mean temperatures; one row per station and day with any weather record.

    The recorded daily mean is taken, else half the sum of the extremes, else the mean of the
    hours when at least 18 of the day's 24 are there.
    """
    extremes = pl.struct("temperature_max_c", "temperature_min_c").map_batches(
        lambda day: pl.Series(
            daily_mean_from_extremes(
                day.struct.field("temperature_max_c").cast(pl.Float64).to_numpy(),
                day.struct.field("temperature_min_c").cast(pl.Float64).to_numpy(),
            ),
            nan_to_null=True,
        ),
        return_dtype=pl.Float64,
    )
    recorded = weather_daily.select(
        "station_id", "observed_on", recorded_c="temperature_mean_c", extremes_c=extremes
    )
    local = pl.col("observed_at").dt.convert_time_zone(settings.study.time_zone)
    hours = (
        weather_hourly.filter(pl.col("temperature_c").is_not_null())
        .with_columns(observed_on=local.dt.date(), clock_hour=local.dt.hour())
        # in order: else a mean of the same hours differs in its last digit from run to run
        .group_by("station_id", "observed_on", "clock_hour", maintain_order=True)
        .agg(pl.col("temperature_c").mean())
        .group_by("station_id", "observed_on", maintain_order=True)
        .agg(hours_c=pl.col("temperature_c").mean(), hours=pl.len().cast(pl.Int64))
    )
    hours_of_day = weather_hourly.select("station_id", observed_on=local.dt.date()).unique()
    days = (
        pl.concat([recorded.select("station_id", "observed_on"), hours_of_day])
        .unique()
        .join(recorded, on=["station_id", "observed_on"], how="left")
        .join(hours, on=["station_id", "observed_on"], how="left")
        .with_columns(
            hours_c=pl.when(pl.col("hours") >= MINIMUM_HOURS).then(pl.col("hours_c")),
        )
    )
    return days.select(
        "station_id",
        "observed_on",
        temperature_mean_c=pl.coalesce("recorded_c", "extremes_c", "hours_c"),
        basis=pl.when(pl.col("recorded_c").is_not_null())
        .then(pl.lit("recorded mean"))
        .when(pl.col("extremes_c").is_not_null())
        .then(pl.lit("extremes"))
        .when(pl.col("hours_c").is_not_null())
        .then(pl.lit("hours")),
        hours=pl.col("hours"),
        weather_reason=pl.when(pl.coalesce("recorded_c", "extremes_c", "hours_c").is_not_null())
        .then(pl.lit(None, dtype=pl.String))
        .when(pl.col("hours").is_not_null())
        .then(pl.lit(f"fewer than {MINIMUM_HOURS} hours of temperature"))
        .otherwise(pl.lit("no temperature")),
    ).sort("station_id", "observed_on")
