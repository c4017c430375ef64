"""Mite counts that speak of a winter."""

from __future__ import annotations

import polars as pl

from pipeline.settings import Settings
from pipeline.stages.windows import UNIT, in_window, winter_day, wintering_year, with_winter

_KEY = (*UNIT, "sampled_on", "method", "sample_no")


def mite_samples(
    mite_counts: pl.DataFrame, treatments: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Counts in the autumn window; one row per count.

    A treatment lies between a count and the reference date when it was applied from the earlier
    of the two days on and before the later one: a count comes before that day's treatment.
    """
    winter = settings.winter
    counts = (
        with_winter(mite_counts, "sampled_on", winter)
        .filter(in_window("sampled_on", winter.mites_from, winter.mites_to))
        .with_columns(reference_on=winter_day(winter.mites_reference, pl.col("winter")))
    )
    applied, sampled, reference = pl.col("applied_on"), pl.col("sampled_on"), pl.col("reference_on")
    between = (
        counts.select(*_KEY, "reference_on")
        .join(
            treatments.select("colony_id", "applied_on", winter=wintering_year("applied_on")),
            on=UNIT,
        )
        .group_by(*_KEY)
        .agg(
            treatments_between=((applied >= sampled) & (applied < reference)).sum().cast(pl.Int64)
            - ((applied >= reference) & (applied < sampled)).sum().cast(pl.Int64)
        )
    )
    is_sample = pl.col("bees_sampled").is_not_null() & (pl.col("method") != "sticky board")
    return (
        counts.join(between, on=_KEY, how="left")
        .select(
            *_KEY,
            "bees_sampled",
            "mites_counted",
            "board_days",
            mites_per_100_bees=pl.when(is_sample).then(
                pl.col("mites_counted") / pl.col("bees_sampled") * 100
            ),
            days_before_reference=(reference - sampled).dt.total_days().cast(pl.Float64),
            treatments_between=pl.col("treatments_between").fill_null(0),
        )
        .sort(*_KEY)
    )
