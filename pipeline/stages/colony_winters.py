"""The unit of analysis: one colony through one winter, with everything known of it."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.contracts import load_derived_contracts
from pipeline.settings import Settings, StoresSettings, WinterSettings
from pipeline.stages.windows import UNIT, winter_day, wintering_year

NOT_SURVIVED: Final = "did not survive"
SURVIVAL_UNKNOWN: Final = "survival unknown"
TREATED_FROM: Final = "07-01"


def _queen_age(colony_seasons: pl.DataFrame, queens: pl.DataFrame) -> pl.DataFrame:
    """Whole seasons since the queen present on the winter's first day hatched."""
    age = (pl.col("winter") - pl.col("hatched_year")).cast(pl.Float64)
    return (
        colony_seasons.select(*UNIT, "starts_on")
        .join(queens, on="colony_id")
        .filter(pl.col("introduced_on") <= pl.col("starts_on"))
        .sort(*UNIT, "introduced_on")
        .unique(UNIT, keep="last")
        .select(*UNIT, queen_age_years=pl.when(age >= 0).then(age))
    )


def _treated(
    colony_seasons: pl.DataFrame, treatments: pl.DataFrame, winter: WinterSettings
) -> pl.DataFrame:
    """Whether treated in time to lower the load at the reference date, last with what, and when.

    A treatment counts from 1 July until the day before the reference date. One that comes later
    cannot have lowered the load of that day. Null for members who recorded no treatments at all;
    of two treatments on one day the first by name is taken.
    """
    reference = winter_day(winter.mites_reference, pl.col("winter"))
    members = (
        colony_seasons.join(treatments.select("colony_id").unique(), on="colony_id", how="semi")
        .select("member_id")
        .drop_nulls()
        .unique()
    )
    treated = (
        colony_seasons.select(*UNIT)
        .join(treatments.with_columns(winter=wintering_year("applied_on")), on=UNIT)
        .filter(
            pl.col("applied_on") >= winter_day(TREATED_FROM, pl.col("winter")),
            pl.col("applied_on") < reference,
        )
        .sort(*UNIT, "applied_on", "active_ingredient", descending=[False] * 3 + [True])
        .unique(UNIT, keep="last")
        .select(
            *UNIT,
            has_treatment=pl.lit(True),
            treatment_ingredient="active_ingredient",
            treated_days_before_reference=(reference - pl.col("applied_on"))
            .dt.total_days()
            .cast(pl.Float64),
        )
    )
    return (
        colony_seasons.select(*UNIT, "member_id")
        .join(members.with_columns(has_records=pl.lit(True)), on="member_id", how="left")
        .join(treated, on=UNIT, how="left")
        .select(
            *UNIT,
            "treatment_ingredient",
            "treated_days_before_reference",
            was_treated=pl.when(pl.col("has_records")).then(
                pl.col("has_treatment").fill_null(False)
            ),
        )
    )


def _autumn_stores(stores: StoresSettings) -> pl.Expr:
    """Stores at the autumn weighing; empty where added layers may have stood on the scale.

    The mass of a wrap is not recorded, so stores weighed with it would rise with the level: what
    is adjusted for must not be made by the set-up.
    """
    has_layers = pl.col("has_added_layers").fill_null(False)
    was_bare = (pl.col("autumn_weighed_on") < pl.col("installed_on")).fill_null(False)
    kg_per_frame = stores.bees_per_frame * stores.bee_mass_g / 1000.0
    return pl.when(~has_layers | was_bare).then(
        pl.col("autumn_gross_kg")
        - pl.col("empty_hive_kg")
        - pl.col("autumn_strength_frames") * kg_per_frame
    )


def _exclusion() -> pl.Expr:
    """Why a unit is left out: not at risk, else no place, else no set-up or level."""
    return (
        pl.when(~pl.col("is_at_risk"))
        .then(pl.col("survival_reason"))
        .when(pl.col("place_reason").is_not_null())
        .then(pl.col("place_reason"))
        .otherwise(pl.col("level_reason"))
    )


def colony_winters(
    *,
    colony_seasons: pl.DataFrame,
    winter_survival: pl.DataFrame,
    hive_envelopes: pl.DataFrame,
    strengths: pl.DataFrame,
    weighing_windows: pl.DataFrame,
    stores_ledger: pl.DataFrame,
    degree_days: pl.DataFrame,
    mite_samples: pl.DataFrame,
    sensor_features: pl.DataFrame,
    set_ups: pl.DataFrame,
    set_up_layers: pl.DataFrame,
    colonies: pl.DataFrame,
    apiaries: pl.DataFrame,
    queens: pl.DataFrame,
    treatments: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Everything known of each unit; one row per colony-winter that any record speaks of.

    Units left out of the analysis keep their outcomes and say why they are left out.
    """
    mites = mite_samples.group_by(*UNIT).agg(mite_counts_used=pl.len().cast(pl.Int64))
    joined = colony_seasons.join(
        apiaries.select("apiary_id", "wind_exposure", "elevation_m"), on="apiary_id", how="left"
    ).join(colonies.select("colony_id", "empty_hive_kg"), on="colony_id", how="left")
    for table in (
        winter_survival,
        hive_envelopes,
        strengths,
        weighing_windows.drop("autumn_gross_kg", "spring_gross_kg"),
        stores_ledger,
        degree_days.drop("window_days", "station_id").rename(
            {
                "cold_kd_per_day": "window_cold_kd_per_day",
                "winter_cold_kd_per_day": "cold_kd_per_day",
            }
        ),
        mites,
        sensor_features,
        set_ups.select(*UNIT, "top_opening", "has_moisture_absorber", "assignment", "installed_on"),
        set_up_layers.select(*UNIT).unique().with_columns(has_added_layers=True),
        _queen_age(colony_seasons, queens),
        _treated(colony_seasons, treatments, settings.winter),
    ):
        joined = joined.join(table, on=UNIT, how="left")
    is_alive = pl.col("is_alive")
    spring_reason = (
        pl.when(pl.col("is_disaster"))
        .then(pl.col("survival_reason"))
        .when(is_alive.is_null())
        .then(pl.lit(SURVIVAL_UNKNOWN))
        .when(~is_alive)
        .then(pl.lit(NOT_SURVIVED))
        .otherwise(pl.col("spring_strength_reason"))
    )
    spring = ("spring_strength_frames", "spring_strength_sd_frames", "spring_strength_on")
    return (
        joined.with_columns(
            exclusion_reason=_exclusion(),
            mite_counts_used=pl.col("mite_counts_used").fill_null(0),
            autumn_stores_kg=_autumn_stores(settings.stores),
            spring_strength_reason=spring_reason,
            **{name: pl.when(spring_reason.is_null()).then(name) for name in spring},
        )
        .select(load_derived_contracts()["colony_winters"].columns)
        .sort(*UNIT)
    )
