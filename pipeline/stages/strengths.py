"""Autumn and spring strength of each colony, with its counting error."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.settings import Settings
from pipeline.stages.windows import UNIT, in_window, nearest, with_winter

# Counting error as a share of the count, by method, and what is added to it in frames for
# rounding to half frames. From memory and common practice: observers who look at every comb
# differ by about a tenth, a glance at the gaps by about a fifth.
RELATIVE_SD: Final = {
    "each comb": 0.10,
    "gaps from above": 0.20,
    "gaps from above and below": 0.15,
    "photographs": 0.05,
}
UNKNOWN_METHOD_RELATIVE_SD: Final = 0.20
ROUNDING_SD_FRAMES: Final = 0.25

NO_AUTUMN: Final = "no strength count in autumn"
NO_SPRING: Final = "no strength count in spring"


def _counted(inspections: pl.DataFrame, season: str, settings: Settings) -> pl.DataFrame:
    """The count of each unit nearest to the season's reference day, columns prefixed by season."""
    winter = settings.winter
    start, end, near = (
        getattr(winter, f"{season}_strength_{part}") for part in ("from", "to", "near")
    )
    relative = pl.col("method").replace_strict(
        RELATIVE_SD, default=UNKNOWN_METHOD_RELATIVE_SD, return_dtype=pl.Float64
    )
    inside = with_winter(inspections, "inspected_on", winter).filter(
        in_window("inspected_on", start, end)
    )
    return nearest(inside, "inspected_on", near).select(
        *UNIT,
        pl.col("inspected_on").alias(f"{season}_strength_on"),
        pl.col("frames_of_bees").alias(f"{season}_strength_frames"),
        ((relative * pl.col("frames_of_bees")) ** 2 + ROUNDING_SD_FRAMES**2)
        .sqrt()
        .alias(f"{season}_strength_sd_frames"),
        pl.col("frames_of_brood").alias(f"{season}_brood_frames"),
        pl.col("method").alias(f"{season}_strength_method"),
    )


def strengths(
    colony_seasons: pl.DataFrame, strength_inspections: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Strength in autumn and in spring; one row per colony-winter.

    A count of no bees is a dead colony, not a strength, and is left to ``winter_survival``.
    """
    counts = strength_inspections.filter(pl.col("frames_of_bees") > 0)
    autumn, spring = (_counted(counts, season, settings) for season in ("autumn", "spring"))
    return (
        colony_seasons.select(*UNIT)
        .join(autumn, on=UNIT, how="left")
        .join(spring, on=UNIT, how="left")
        .with_columns(
            autumn_strength_reason=pl.when(pl.col("autumn_strength_on").is_null()).then(
                pl.lit(NO_AUTUMN)
            ),
            spring_strength_reason=pl.when(pl.col("spring_strength_on").is_null()).then(
                pl.lit(NO_SPRING)
            ),
        )
        .sort(*UNIT)
    )
