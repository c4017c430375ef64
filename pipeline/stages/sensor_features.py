"""What loggers tell of each winter: warmth, condensation risk, brood onset."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from pipeline.physics.envelope import FLOW_OF_SURFACE, SURFACES, inner_surface_temperature
from pipeline.physics.moist_air import dew_point
from pipeline.settings import Settings
from pipeline.stages.windows import UNIT, winter_day

MIDWINTER: Final = "12-21"
# Brood is kept at 32 to 36 °C (Stabentheiner A et al. 2021, Journal of Comparative Physiology A,
# doi 10.1007/s00359-021-01464-8, introduction). The small daily range and "5 of 7 days" are
# common practice, no source.
BROOD_C: Final = 32.0
BROOD_RANGE_K: Final = 3.0
BROOD_DAYS: Final = 5
BROOD_WITHIN_DAYS: Final = 7

NO_READINGS: Final = "no sensor readings in the winter"
NO_HIVE_AIR: Final = "no humidity and temperature above the colony"
NO_ENVELOPE: Final = "the hive's layers are not known"
NO_OUTSIDE: Final = "no outside temperature"
NO_BROOD_SENSOR: Final = "no sensor in the brood nest after midwinter"
ALREADY_BROOD: Final = "brood already there when readings after midwinter began"
NO_ONSET: Final = "no sustained brood temperature was seen"

_FACED: Final = tuple(surface for surface in SURFACES if surface != "bottom")


def _warmth(days: pl.DataFrame) -> pl.DataFrame:
    """Days with in-hive temperature and the mean above the cluster or under the cover."""
    is_inside = (pl.col("position") != "outside") & pl.col("temperature_mean_c").is_not_null()
    is_above = pl.col("position").is_in(["above cluster", "under cover"])
    return (
        days.filter(is_inside)
        .sort(*UNIT, "observed_on", "position")
        .group_by(*UNIT, "observed_on", maintain_order=True)
        .agg(day_mean_c=pl.col("temperature_mean_c").filter(is_above).mean())
        .group_by(*UNIT, maintain_order=True)
        .agg(
            sensor_days=pl.len().cast(pl.Int64),
            in_hive_temperature_mean_c=pl.col("day_mean_c").mean(),
        )
    )


def _brood_onset(days: pl.DataFrame) -> pl.DataFrame:
    """First day after midwinter from which the brood nest stays warm and steady."""
    is_brood = (
        (pl.col("temperature_mean_c") >= BROOD_C) & (pl.col("temperature_range_k") <= BROOD_RANGE_K)
    ).fill_null(False)
    nest = days.filter(
        pl.col("position") == "brood nest",
        pl.col("temperature_mean_c").is_not_null(),
        pl.col("observed_on") > winter_day(MIDWINTER, pl.col("winter")),
    ).select(*UNIT, "observed_on", is_brood=is_brood)
    first = nest.group_by(*UNIT).agg(nest_from_on=pl.col("observed_on").min())
    ahead = (
        nest.sort(*UNIT, "observed_on")
        .rolling(
            "observed_on",
            period=f"{BROOD_WITHIN_DAYS}d",
            offset="0d",
            closed="left",
            group_by=list(UNIT),
        )
        .agg(begins=pl.col("is_brood").first(), brood_days=pl.col("is_brood").sum())
        .filter(pl.col("begins"), pl.col("brood_days") >= BROOD_DAYS)
        .group_by(*UNIT)
        .agg(onset_on=pl.col("observed_on").min())
    )
    return first.join(ahead, on=UNIT, how="left")


def _outside(
    hours: pl.DataFrame,
    station_days: pl.DataFrame,
    weather_hourly: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Add outside temperature: own sensor's, else the station's hour, else its daily mean."""
    station_hours = (
        weather_hourly.select(
            "station_id", "temperature_c", hour_at=pl.col("observed_at").dt.truncate("1h")
        )
        .group_by("station_id", "hour_at")
        .agg(station_hour_c=pl.col("temperature_c").mean())
    )
    local_day = pl.col("hour_at").dt.convert_time_zone(settings.study.time_zone).dt.date()
    station_mean = station_days.select(
        "station_id", "observed_on", station_day_c="temperature_mean_c"
    )
    correction = pl.col("elevation_correction_k").fill_null(0.0)
    at_station = pl.coalesce("station_hour_c", "station_day_c") + correction
    return (
        hours.with_columns(observed_on=local_day)
        .join(station_hours, on=["station_id", "hour_at"], how="left")
        .join(station_mean, on=["station_id", "observed_on"], how="left")
        .with_columns(
            is_daily=pl.col("outside_c").is_null() & pl.col("station_hour_c").is_null(),
            out_c=pl.coalesce("outside_c", at_station),
        )
    )


def _condensation(hours: pl.DataFrame, hive_envelopes: pl.DataFrame) -> pl.DataFrame:
    """Hours in which cover or wall lies below the dew point of the hive's air."""
    resistances = [f"{surface}_m2k_per_w" for surface in _FACED]
    known = hours.join(hive_envelopes.select(*UNIT, *resistances), on=UNIT, how="left").filter(
        pl.all_horizontal(pl.col(resistances).is_not_null())
    )
    whole = known.filter(pl.col("out_c").is_not_null())
    hive_c, out_c = whole["hive_c"].to_numpy(), whole["out_c"].to_numpy()
    coldest = np.full(len(whole), np.inf)
    for surface in _FACED:
        face_c = inner_surface_temperature(
            hive_c, out_c, whole[f"{surface}_m2k_per_w"].to_numpy(), FLOW_OF_SURFACE[surface]
        )
        coldest = np.minimum(coldest, face_c)
    is_wet = coldest < dew_point(hive_c, whole["hive_humidity_pct"].to_numpy())
    counted = (
        whole.with_columns(is_wet=pl.Series(is_wet))
        .group_by(*UNIT)
        .agg(
            condensation_risk_h=pl.col("is_wet").sum().cast(pl.Float64),
            condensation_measured_h=pl.len().cast(pl.Int64),
            condensation_daily_outside_h=pl.col("is_daily").sum().cast(pl.Int64),
        )
    )
    return (
        hours.select(*UNIT)
        .unique()
        .with_columns(has_hive_air=pl.lit(True))
        .join(
            known.select(*UNIT).unique().with_columns(has_envelope=pl.lit(True)),
            on=UNIT,
            how="left",
        )
        .join(counted, on=UNIT, how="left")
    )


def sensor_features(
    *,
    colony_seasons: pl.DataFrame,
    sensor_days: pl.DataFrame,
    sensor_hours: pl.DataFrame,
    hive_envelopes: pl.DataFrame,
    degree_days: pl.DataFrame,
    station_days: pl.DataFrame,
    weather_hourly: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Winter features from loggers; one row per colony-winter.

    Condensation risk counts the measured hours in which the inner face of the cover or of a wall,
    by the layer model, lies below the dew point of the air above the colony. The brood onset is
    the first day after midwinter that is warm (daily mean 32 °C or more) and steady (daily range
    3 K or less) and begins seven days of which at least five are so.
    """
    units = colony_seasons.select(*UNIT, "station_id", "starts_on", "ends_on")
    days = sensor_days.join(units.select(*UNIT, "starts_on", "ends_on"), on="colony_id").filter(
        pl.col("observed_on").is_between(pl.col("starts_on"), pl.col("ends_on"))
    )
    hours = sensor_hours.join(units.select(*UNIT, "station_id"), on=UNIT).join(
        degree_days.select(*UNIT, "elevation_correction_k"), on=UNIT, how="left"
    )
    onset, first = pl.col("onset_on"), pl.col("nest_from_on")
    is_read = pl.col("has_readings").fill_null(False)
    return (
        units.select(*UNIT)
        .join(
            days.select(*UNIT).unique().with_columns(has_readings=pl.lit(True)), on=UNIT, how="left"
        )
        .join(_warmth(days), on=UNIT, how="left")
        .join(
            _condensation(_outside(hours, station_days, weather_hourly, settings), hive_envelopes),
            on=UNIT,
            how="left",
        )
        .join(_brood_onset(days), on=UNIT, how="left")
        .select(
            *UNIT,
            sensor_days=pl.col("sensor_days").fill_null(0),
            in_hive_temperature_mean_c=pl.col("in_hive_temperature_mean_c"),
            condensation_risk_h=pl.col("condensation_risk_h"),
            condensation_measured_h=pl.col("condensation_measured_h").fill_null(0),
            condensation_daily_outside_h=pl.col("condensation_daily_outside_h").fill_null(0),
            condensation_reason=pl.when(pl.col("condensation_risk_h").is_not_null())
            .then(pl.lit(None, dtype=pl.String))
            .when(~is_read)
            .then(pl.lit(NO_READINGS))
            .when(pl.col("has_hive_air").is_null())
            .then(pl.lit(NO_HIVE_AIR))
            .when(pl.col("has_envelope").is_null())
            .then(pl.lit(NO_ENVELOPE))
            .otherwise(pl.lit(NO_OUTSIDE)),
            brood_onset_on=pl.when(onset > first).then(onset),
            brood_onset_reason=pl.when(onset > first)
            .then(pl.lit(None, dtype=pl.String))
            .when(~is_read)
            .then(pl.lit(NO_READINGS))
            .when(first.is_null())
            .then(pl.lit(NO_BROOD_SENSOR))
            .when(onset.is_null())
            .then(pl.lit(NO_ONSET))
            .otherwise(pl.lit(ALREADY_BROOD)),
            sensor_reason=pl.when(~is_read).then(pl.lit(NO_READINGS)),
        )
        .sort(*UNIT)
    )
