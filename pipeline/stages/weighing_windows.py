"""The two weighings between which a colony's stores use is measured."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.settings import Settings
from pipeline.stages.windows import UNIT, in_window, nearest, with_winter

MINIMUM_DAYS: Final = 30  # a shorter window is mostly weighing error

NO_AUTUMN: Final = "no weighing in autumn"
NO_SPRING: Final = "no later weighing while alive"
TOO_SHORT: Final = f"fewer than {MINIMUM_DAYS} days between the weighings"


def weighing_windows(
    colony_seasons: pl.DataFrame,
    winter_survival: pl.DataFrame,
    weighings: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Autumn and spring weighing; one row per colony-winter.

    The window ends at the weighing nearest to the spring reference date among those made while the
    colony was alive, so a colony that died later still has one. A weighing counts as made while
    alive when it came before the day the colony was found gone.
    """
    winter = settings.winter
    of_winter = with_winter(
        weighings.select("colony_id", "weighed_on", "gross_kg", "method"), "weighed_on", winter
    )
    autumn = nearest(
        of_winter.filter(
            in_window("weighed_on", winter.autumn_weighing_from, winter.autumn_weighing_to)
        ),
        "weighed_on",
        winter.autumn_weighing_near,
    ).select(
        *UNIT, autumn_weighed_on="weighed_on", autumn_gross_kg="gross_kg", autumn_method="method"
    )
    later = (
        of_winter.filter(
            in_window("weighed_on", winter.spring_weighing_from, winter.spring_weighing_to)
        )
        .join(winter_survival.select(*UNIT, "lost_on"), on=UNIT, how="left")
        .join(autumn.select(*UNIT, "autumn_weighed_on"), on=UNIT, how="left")
        .filter(
            (pl.col("weighed_on") < pl.col("lost_on")).fill_null(True),
            (pl.col("weighed_on") > pl.col("autumn_weighed_on")).fill_null(True),
        )
    )
    spring = nearest(later, "weighed_on", winter.spring_weighing_near).select(
        *UNIT, spring_weighed_on="weighed_on", spring_gross_kg="gross_kg", spring_method="method"
    )
    days = (pl.col("spring_weighed_on") - pl.col("autumn_weighed_on")).dt.total_days()
    return (
        colony_seasons.select(*UNIT)
        .join(autumn, on=UNIT, how="left")
        .join(spring, on=UNIT, how="left")
        .with_columns(
            window_days=days.cast(pl.Float64),
            window_reason=pl.when(pl.col("autumn_weighed_on").is_null())
            .then(pl.lit(NO_AUTUMN))
            .when(pl.col("spring_weighed_on").is_null())
            .then(pl.lit(NO_SPRING))
            .when(days < MINIMUM_DAYS)
            .then(pl.lit(TOO_SHORT)),
        )
        .sort(*UNIT)
    )
