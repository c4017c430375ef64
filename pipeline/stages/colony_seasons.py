"""Every colony-winter that any record speaks of, and where it stood."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.settings import Settings
from pipeline.stages.windows import UNIT, winter_day, with_winter

NO_APIARY: Final = "the apiary is not known"


def _mentions(
    frame: pl.DataFrame, record: str, column: str | None, settings: Settings
) -> pl.DataFrame:
    """The units that one record speaks of; dated rows by their day, others by their winter."""
    if column is None:
        units = frame.select(*UNIT, is_early=pl.lit(True))
    else:
        spring = winter_day(settings.winter.spring_strength_from, pl.col("winter"))
        units = (
            with_winter(frame.select("colony_id", column), column, settings.winter)
            .filter(pl.col("winter").is_not_null())
            .select(*UNIT, is_early=pl.col(column) < spring)
        )
    return (
        units.group_by(*UNIT)
        .agg(pl.col("is_early").any())
        .with_columns(record=pl.lit(record), winter=pl.col("winter").cast(pl.Int64))
    )


def colony_seasons(
    *,
    set_ups: pl.DataFrame,
    winter_outcomes: pl.DataFrame,
    weighings: pl.DataFrame,
    strength_inspections: pl.DataFrame,
    mite_counts: pl.DataFrame,
    treatments: pl.DataFrame,
    feedings: pl.DataFrame,
    sensor_days: pl.DataFrame,
    stays: pl.DataFrame,
    colonies: pl.DataFrame,
    apiaries: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Units and their places; one row per colony-winter that any record speaks of.

    A dated record speaks of a winter from the first day of the earliest window in the settings to
    the last day of the latest. A colony stood where its last stay before the winter's first day
    took it, else where the colony record says.
    """
    mentions = pl.concat(
        [
            _mentions(set_ups, "set_ups", None, settings),
            _mentions(winter_outcomes, "winter_outcomes", None, settings),
            _mentions(weighings, "weighings", "weighed_on", settings),
            _mentions(strength_inspections, "strength_inspections", "inspected_on", settings),
            _mentions(mite_counts, "mite_counts", "sampled_on", settings),
            _mentions(treatments, "treatments", "applied_on", settings),
            _mentions(feedings, "feedings", "fed_on", settings),
            _mentions(sensor_days, "sensor_readings", "observed_on", settings),
        ]
    )
    winter = pl.col("winter")
    units = (
        mentions.group_by(*UNIT)
        .agg(
            records=pl.col("record").sort().str.join(", "),
            is_known_before_spring=pl.col("is_early").any(),
        )
        .with_columns(
            starts_on=winter_day(settings.winter.starts_on, winter),
            ends_on=winter_day(settings.winter.ends_on, winter),
        )
    )
    last_stay = (
        units.select(*UNIT, "starts_on")
        .join(stays.select("colony_id", "from_on", stay_id="apiary_id"), on="colony_id")
        .filter(pl.col("from_on") <= pl.col("starts_on"))
        .sort(*UNIT, "from_on")
        .unique(UNIT, keep="last")
        .select(*UNIT, "stay_id")
    )
    return (
        units.join(last_stay, on=UNIT, how="left")
        .join(colonies.select("colony_id", first_id="apiary_id"), on="colony_id", how="left")
        .with_columns(apiary_id=pl.coalesce("stay_id", "first_id"))
        .join(apiaries.select("apiary_id", "member_id", "station_id"), on="apiary_id", how="left")
        .with_columns(
            place_reason=pl.when(pl.col("member_id").is_null()).then(pl.lit(NO_APIARY)),
        )
        .select(
            *UNIT,
            "starts_on",
            "ends_on",
            "apiary_id",
            "member_id",
            "station_id",
            "records",
            "is_known_before_spring",
            "place_reason",
        )
        .sort(*UNIT)
    )
