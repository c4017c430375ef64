"""What each colony ate between its two weighings, line by line.

stores use = autumn gross - spring gross + feed + parts added - parts removed
             + change in the mass of bees and brood

Bees that die and are carried out lighten the hive without anything having been eaten, so a
loss of bees (a negative change) lowers stores use.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.physics.feed import (
    CONVERSION_RELATIVE_SD,
    bees_and_brood_kg,
    honey_equivalent_kg,
)
from pipeline.settings import Settings, StoresSettings
from pipeline.stages.windows import UNIT, wintering_year

PARTS_RELATIVE_SD: Final = (
    0.10  # parts are weighed roughly or looked up; common practice, no source
)
NEAR_DAYS: Final = 30  # a strength count stands for a weighing at most this many days apart
BROOD_SD_FRAMES: Final = 1.0  # brood is counted to about a frame, or not at all; common practice
MINIMUM_COUNTED: Final = 5  # colonies with both counts that a pool needs to stand in for others
GROWTH_SD_PER_DAY: Final = 0.01  # colonies grow at their own pace; common practice, no source
UNKNOWN_CHANGE_SD_KG: Final = 1.0  # about three and a half frames of bees, from memory


def _fed(windows: pl.DataFrame, feedings: pl.DataFrame, stores: StoresSettings) -> pl.DataFrame:
    """Feed given from the autumn weighing's day on and before the spring weighing's day."""
    worth = honey_equivalent_kg(
        feedings["feed"].to_list(),
        feedings["mass_kg"].to_numpy(),
        stores_sugar_share=stores.stores_sugar_share,
        processing_loss=stores.processing_loss,
    )
    is_converted = pl.col("feed") != "honey frame"
    fed = feedings.select(
        "colony_id", "fed_on", "feed", winter=wintering_year("fed_on"), worth_kg=pl.Series(worth)
    )
    return (
        windows.select(*UNIT, "autumn_weighed_on", "spring_weighed_on")
        .join(fed, on=UNIT)
        .filter(
            pl.col("fed_on") >= pl.col("autumn_weighed_on"),
            pl.col("fed_on") < pl.col("spring_weighed_on"),
        )
        .sort(*UNIT, "fed_on", "feed")
        .group_by(*UNIT, maintain_order=True)
        .agg(
            feed_kg=pl.col("worth_kg").sum(),
            feedings_used=pl.len().cast(pl.Int64),
            feed_sd_kg=pl.col("worth_kg").filter(is_converted).sum() * CONVERSION_RELATIVE_SD,
        )
    )


def _parts(windows: pl.DataFrame, weighings: pl.DataFrame) -> pl.DataFrame:
    """Parts noted at weighings after the autumn one, up to the spring one."""
    added, removed = (pl.col(f"parts_{kind}_kg").fill_null(0.0) for kind in ("added", "removed"))
    noted = weighings.select(
        "colony_id",
        "weighed_on",
        "parts_added_kg",
        "parts_removed_kg",
        winter=wintering_year("weighed_on"),
    )
    return (
        windows.select(*UNIT, "autumn_weighed_on", "spring_weighed_on")
        .join(noted, on=UNIT)
        .filter(
            pl.col("weighed_on") > pl.col("autumn_weighed_on"),
            pl.col("weighed_on") <= pl.col("spring_weighed_on"),
        )
        .sort(*UNIT, "weighed_on")
        .group_by(*UNIT, maintain_order=True)
        .agg(
            parts_added_kg=added.sum(),
            parts_removed_kg=removed.sum(),
            parts_sd_kg=PARTS_RELATIVE_SD * (added**2 + removed**2).sum().sqrt(),
        )
    )


def _growing_days(winter: pl.Expr, from_on: pl.Expr, to_on: pl.Expr) -> pl.Expr:
    """Days from one date to another that lie after February, when colonies grow; signed."""
    march = pl.date(winter + 1, 3, 1)
    days = pl.max_horizontal(to_on, march) - pl.max_horizontal(from_on, march)
    return days.dt.total_days()


def _bee_mass(
    windows: pl.DataFrame, strengths: pl.DataFrame, stores: StoresSettings
) -> pl.DataFrame:
    """Change in the mass of bees and brood, from counts near both weighings.

    A spring count is brought to the day of the weighing: a colony counted ten days later has
    grown, and an insulated one, being larger, by more.
    """
    kg_per_frame = stores.bees_per_frame * stores.bee_mass_g / 1000.0
    counts = windows.select(*UNIT, "autumn_weighed_on", "spring_weighed_on").join(
        strengths, on=UNIT, how="left"
    )
    is_near = pl.lit(True)
    mass, variance = {}, pl.lit(2 * (BROOD_SD_FRAMES * stores.brood_frame_kg) ** 2)
    for season in ("autumn", "spring"):
        apart = (pl.col(f"{season}_strength_on") - pl.col(f"{season}_weighed_on")).dt.total_days()
        is_near &= (apart.abs() <= NEAR_DAYS).fill_null(False)
        mass[f"{season}_kg"] = pl.Series(
            bees_and_brood_kg(
                counts[f"{season}_strength_frames"].to_numpy(),
                counts[f"{season}_brood_frames"].fill_null(0.0).to_numpy(),
                bees_per_frame=stores.bees_per_frame,
                bee_mass_g=stores.bee_mass_g,
                brood_frame_kg=stores.brood_frame_kg,
            )
        )
        variance += (pl.col(f"{season}_strength_sd_frames") * kg_per_frame) ** 2
    grown = _growing_days(
        pl.col("winter"), pl.col("spring_weighed_on"), pl.col("spring_strength_on")
    )
    then = pl.col("spring_kg") * (-stores.spring_growth_per_day * grown).exp()
    variance += (then * GROWTH_SD_PER_DAY * grown) ** 2
    return counts.with_columns(**mass).select(
        *UNIT,
        counted_change_kg=pl.when(is_near).then(then - pl.col("autumn_kg")),
        counted_sd_kg=pl.when(is_near).then(variance.sqrt()),
    )


def stores_ledger(
    weighing_windows: pl.DataFrame,
    weighings: pl.DataFrame,
    feedings: pl.DataFrame,
    strengths: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """The ledger of stores, each line kept with its error; one row per colony-winter.

    Where a colony was not counted near both weighings, the median change of the pool's counted
    colonies stands in, with their spread as its error (``bee_mass_basis`` says so); in a pool with
    fewer than five counted colonies the change is taken as zero with an error of 1 kg.
    """
    stores = settings.stores
    method_sd = {
        "scale": stores.scale_sd_kg,
        "luggage scale": stores.luggage_scale_sd_kg,
        "frame estimate": stores.frame_estimate_sd_kg,
    }
    windows = weighing_windows.filter(pl.col("window_reason").is_null())
    bee_mass = _bee_mass(windows, strengths, stores)
    counted = bee_mass["counted_change_kg"].drop_nulls().sort()
    has_pool = len(counted) >= MINIMUM_COUNTED
    change_kg = counted.median() if has_pool else 0.0
    change_sd_kg = counted.std() if has_pool else UNKNOWN_CHANGE_SD_KG
    is_counted, has_window = (
        pl.col("counted_change_kg").is_not_null(),
        pl.col("window_reason").is_null(),
    )
    sds = ("autumn_sd_kg", "spring_sd_kg", "feed_sd_kg", "parts_sd_kg", "bee_mass_sd_kg")
    zero_lines = ("feed_kg", "feed_sd_kg", "parts_added_kg", "parts_removed_kg", "parts_sd_kg")
    return (
        weighing_windows.join(_fed(windows, feedings, stores), on=UNIT, how="left")
        .join(_parts(windows, weighings), on=UNIT, how="left")
        .join(bee_mass, on=UNIT, how="left")
        .with_columns(
            *(
                pl.col(f"{season}_method")
                .replace_strict(method_sd, return_dtype=pl.Float64)
                .alias(f"{season}_sd_kg")
                for season in ("autumn", "spring")
            ),
            *(
                pl.when(has_window).then(pl.col(name).fill_null(0.0)).alias(name)
                for name in zero_lines
            ),
            feedings_used=pl.when(has_window).then(pl.col("feedings_used").fill_null(0)),
            bee_mass_change_kg=pl.when(has_window).then(
                pl.col("counted_change_kg").fill_null(change_kg)
            ),
            bee_mass_sd_kg=pl.when(has_window).then(
                pl.col("counted_sd_kg").fill_null(change_sd_kg)
            ),
            bee_mass_basis=pl.when(has_window & is_counted)
            .then(pl.lit("counted"))
            .when(has_window)
            .then(pl.lit("pool median" if has_pool else "taken as unchanged")),
        )
        .select(
            *UNIT,
            "autumn_gross_kg",
            "autumn_sd_kg",
            "spring_gross_kg",
            "spring_sd_kg",
            "feed_kg",
            "feed_sd_kg",
            "feedings_used",
            "parts_added_kg",
            "parts_removed_kg",
            "parts_sd_kg",
            "bee_mass_change_kg",
            "bee_mass_sd_kg",
            "bee_mass_basis",
            stores_use_kg=pl.when(has_window).then(
                pl.col("autumn_gross_kg")
                - pl.col("spring_gross_kg")
                + pl.col("feed_kg")
                + pl.col("parts_added_kg")
                - pl.col("parts_removed_kg")
                + pl.col("bee_mass_change_kg")
            ),
            stores_method_sd_kg=pl.when(has_window).then(
                pl.sum_horizontal(pl.col(name) ** 2 for name in sds).sqrt()
            ),
            stores_reason=pl.col("window_reason"),
        )
        .sort(*UNIT)
    )
