"""Cold met by each colony: in its own window, and through the whole winter at its place."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.physics.degree_days import degree_days as day_degrees
from pipeline.physics.degree_days import elevation_correction
from pipeline.settings import Settings, WinterSettings
from pipeline.stages.windows import UNIT

NO_STATION: Final = "no weather station named for the apiary"
NO_WEATHER: Final = "no weather in the window"
PARTIAL: Final = "weather covers too few days of the window"

WINDOWS_AT_ONCE: Final = 2048  # of some 200 days each


def _corrections(
    colony_seasons: pl.DataFrame, apiaries: pl.DataFrame, weather_stations: pl.DataFrame
) -> pl.DataFrame:
    """What to add to the station's temperatures, where both heights are known."""
    heights = (
        colony_seasons.select(*UNIT, "apiary_id", "station_id")
        .join(apiaries.select("apiary_id", place_m="elevation_m"), on="apiary_id", how="left")
        .join(
            weather_stations.select("station_id", station_m="elevation_m"),
            on="station_id",
            how="left",
        )
    )
    correction = elevation_correction(
        heights["place_m"].cast(pl.Float64).to_numpy(),
        heights["station_m"].cast(pl.Float64).to_numpy(),
    )
    return heights.select(*UNIT, elevation_correction_k=pl.Series(correction, nan_to_null=True))


def _summed(windows: pl.DataFrame, station_days: pl.DataFrame, base_c: float) -> pl.DataFrame:
    """Sum the cold of each window; its last column's day is not counted."""
    days = (
        windows.with_columns(observed_on=pl.date_ranges(*windows.columns[-2:], closed="left"))
        .explode("observed_on")
        .join(
            station_days.select("station_id", "observed_on", "temperature_mean_c"),
            on=["station_id", "observed_on"],
            how="left",
            maintain_order="left",  # else a sum of the same days differs in its last digit
        )
        .with_columns(
            place_c=pl.col("temperature_mean_c") + pl.col("elevation_correction_k").fill_null(0.0)
        )
    )
    cold = day_degrees(days["place_c"].to_numpy(), base_c)
    return (
        days.with_columns(cold_kd=pl.Series(cold, nan_to_null=True))
        .group_by(windows.columns, maintain_order=True)
        .agg(
            sum_kd=pl.col("cold_kd").sum(),
            days_with_weather=pl.col("cold_kd").count().cast(pl.Int64),
            mean_c=pl.col("place_c").mean(),
        )
    )


def _cold_between(
    units: pl.DataFrame,
    first: str,
    until: str,
    station_days: pl.DataFrame,
    winter: WinterSettings,
) -> pl.DataFrame:
    """Sum each unit's degree-days from one date column up to, not including, another.

    Units that share place and window share their days, which are laid out once, and only so many
    windows at a time: all units' days together are far more than a laptop holds.
    """
    window = ("station_id", "elevation_correction_k", first, until)
    windows = units.select(window).filter(pl.col("station_id").is_not_null()).unique()
    parts = [*windows.iter_slices(WINDOWS_AT_ONCE)] or [windows]
    sums = pl.concat(_summed(part, station_days, winter.degree_day_base_c) for part in parts)
    observed = pl.col("days_with_weather")
    is_covered = (pl.col("weather_coverage") >= winter.minimum_weather_coverage) & (observed > 0)
    return (
        units.with_columns(
            window_days=(pl.col(until) - pl.col(first)).dt.total_days().cast(pl.Int64)
        )
        .join(sums, on=window, how="left", nulls_equal=True)
        .with_columns(observed.fill_null(0))
        .with_columns(weather_coverage=observed / pl.col("window_days"))
        .select(
            *UNIT,
            "window_days",
            "days_with_weather",
            "weather_coverage",
            sum_kd=pl.when(is_covered).then("sum_kd"),
            cold_kd_per_day=pl.when(is_covered).then(pl.col("sum_kd") / observed),
            mean_c=pl.when(is_covered).then("mean_c"),
        )
    )


def degree_days(
    *,
    colony_seasons: pl.DataFrame,
    weighing_windows: pl.DataFrame,
    station_days: pl.DataFrame,
    weather_stations: pl.DataFrame,
    apiaries: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Degree-days between the two weighings, else over the whole winter; one row per colony-winter.

    A window runs from its first weighing's day up to, not including, its last one's; the whole
    winter includes its last day. Sums are over the days with weather and are never scaled up:
    ``is_partial`` tells that days are missing, and below the minimum coverage there is no sum.
    Station temperatures are moved by 6.5 K/km to the apiary's height where both heights are known.

    ``winter_cold_kd_per_day`` is over the whole winter for every unit, whatever became of the
    colony: a window ends earlier for one that dies, so its own cold would foretell the outcome.
    """
    winter = settings.winter
    has_window = pl.col("window_reason").is_null()
    end = pl.col("ends_on").dt.offset_by("1d")
    units = (
        colony_seasons.join(weighing_windows, on=UNIT, how="left")
        .join(_corrections(colony_seasons, apiaries, weather_stations), on=UNIT, how="left")
        .select(
            *UNIT,
            "station_id",
            "elevation_correction_k",
            "starts_on",
            winter_until_on=end,
            window_basis=pl.when(has_window)
            .then(pl.lit("between weighings"))
            .otherwise(pl.lit("whole winter")),
            from_on=pl.when(has_window).then("autumn_weighed_on").otherwise("starts_on"),
            until_on=pl.when(has_window).then("spring_weighed_on").otherwise(end),
        )
    )
    own = _cold_between(units, "from_on", "until_on", station_days, winter)
    whole = _cold_between(units, "starts_on", "winter_until_on", station_days, winter).select(
        *UNIT, winter_cold_kd_per_day="cold_kd_per_day"
    )
    observed = pl.col("days_with_weather")
    return (
        units.join(own, on=UNIT)
        .join(whole, on=UNIT)
        .select(
            *UNIT,
            "station_id",
            "window_basis",
            "from_on",
            "until_on",
            "window_days",
            "days_with_weather",
            "weather_coverage",
            is_partial=pl.when(pl.col("station_id").is_not_null()).then(
                observed < pl.col("window_days")
            ),
            degree_days_kd="sum_kd",
            cold_kd_per_day="cold_kd_per_day",
            winter_cold_kd_per_day="winter_cold_kd_per_day",
            temperature_mean_c="mean_c",
            elevation_correction_k=pl.col("elevation_correction_k"),
            weather_reason=pl.when(pl.col("station_id").is_null())
            .then(pl.lit(NO_STATION))
            .when(observed == 0)
            .then(pl.lit(NO_WEATHER))
            .when(pl.col("sum_kd").is_null())
            .then(pl.lit(PARTIAL)),
        )
        .sort(*UNIT)
    )
