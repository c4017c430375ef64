"""Survival by the stated definition.

A colony came through when, at its last check in spring, it was alive with a laying queen. Not
alive, or without a laying queen then, counts as lost (van der Zee R et al. 2013, "Standard survey
methods for estimating colony losses", Journal of Apicultural Research 52(4), section 2.3).
Losses to disaster are set apart, not counted as losses. The rules, first that applies:

1. Recorded dead in an earlier winter, or found dead (or moved away) before the winter's first
   day: not at risk, survival unknown.
2. Lost to disaster, by state or by cause of death: survival unknown, unless that was after the
   winter and a spring check was made first.
3. Moved away: unknown, unless a check in spring was made first.
4. Recorded dead but inspected alive on a later day: the records disagree, unknown.
5. Recorded dead by the winter's last day: lost. Found dead later: lost too (it was first opened
   late), unless it was inspected alive in spring, which then decides.
6. The last telling check between the spring checks' first day and the winter's last day decides;
   a check is an outcome record or a strength inspection, and tells when it shows a laying queen
   (seen, or brood without a drone layer), the lack of one, or no bees.
7. Else the first telling check after the winter's last day: a laying queen then means it came
   through, no bees means it was lost, no laying queen leaves it unknown.
8. Else unknown, with the reason. A weighing is no sign of life: a dead hive can be weighed.

Without an outcome record, rules 6 and 7 apply only to colonies that some record of that winter
knows before spring: a colony first seen in spring may not have been through the winter.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.settings import Settings
from pipeline.stages.windows import UNIT, winter_day

LOST_EARLIER: Final = "recorded lost in an earlier winter"
DEAD_BEFORE: Final = "dead before the winter began"
MOVED_BEFORE: Final = "moved away before the winter began"
DISASTER: Final = "lost to disaster"
MOVED: Final = "moved away"
DISAGREE: Final = "recorded dead, yet inspected alive later"
FIRST_SEEN_IN_SPRING: Final = "not recorded before spring"
NOT_YET: Final = "last checked before spring"
NO_QUEEN_SEEN: Final = "alive in spring, but no laying queen was seen"
LATE_WITHOUT_QUEEN: Final = "first checked after the winter, then without a laying queen"
NO_OUTCOME: Final = "no outcome recorded"


def _checks(winter_outcomes: pl.DataFrame, strength_inspections: pl.DataFrame) -> pl.DataFrame:
    """What each check showed: ``laying queen``, ``no laying queen``, ``no bees`` or ``bees``.

    Numbered so that of one day's checks an outcome record comes last.
    """
    bees, brood, queen = (
        pl.col("frames_of_bees"),
        pl.col("frames_of_brood"),
        pl.col("queen_status"),
    )
    inspected = strength_inspections.select(
        "colony_id",
        checked_on="inspected_on",
        shown=pl.when(queen == "queenright")
        .then(pl.lit("laying queen"))
        .when(bees == 0)
        .then(pl.lit("no bees"))
        .when(queen.is_in(["queenless", "drone layer"]))
        .then(pl.lit("no laying queen"))
        .when(brood > 0)
        .then(pl.lit("laying queen"))
        .when((bees > 0) | (queen == "not seen"))
        .then(pl.lit("bees")),
    )
    reported = winter_outcomes.select(
        "colony_id",
        "checked_on",
        shown=pl.col("state").replace_strict(
            {"alive": "laying queen", "alive without laying queen": "no laying queen"},
            default=None,
            return_dtype=pl.String,
        ),
    )
    told = pl.concat([inspected, reported]).filter(pl.col("shown").is_not_null())
    return told.with_row_index("check_no")


def _spring_checks(units: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """The check of each unit that decides in spring and after it; one row per unit with checks."""
    told = pl.col("shown") != "bees"
    is_spring = pl.col("checked_on") <= pl.col("ends_on")
    is_alive = pl.col("shown") != "no bees"
    spans = units.select(*UNIT, "ends_on", "spring_from", "next_starts_on")
    return (
        spans.lazy()
        .join(checks.lazy(), on="colony_id")
        .filter(
            pl.col("checked_on") >= pl.col("spring_from"),
            pl.col("checked_on") < pl.col("next_starts_on"),
        )
        .collect(engine="streaming")  # all winters with all checks of a colony are far more rows
        .sort(*UNIT, "checked_on", "check_no")
        .group_by(*UNIT, maintain_order=True)
        .agg(
            spring_shown=pl.col("shown").filter(told & is_spring).last(),
            late_shown=pl.col("shown").filter(told & ~is_spring).first(),
            has_bees=is_alive.any(),
            last_alive_on=pl.col("checked_on").filter(is_alive).max(),
            empty_on=pl.col("checked_on").filter(pl.col("shown") == "no bees").min(),
        )
    )


def winter_survival(
    colony_seasons: pl.DataFrame,
    winter_outcomes: pl.DataFrame,
    strength_inspections: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Survival by the rules above; one row per colony-winter.

    ``lost_on`` is the day from which the colony is known to be gone (found dead or empty, or moved
    away); weighings from then on are not of a living colony.
    """
    winter = pl.col("winter")
    units = colony_seasons.select(
        *UNIT,
        "starts_on",
        "ends_on",
        "is_known_before_spring",
        spring_from=winter_day(settings.winter.spring_strength_from, winter),
        next_starts_on=winter_day(settings.winter.starts_on, winter + 1),
    )
    outcomes = winter_outcomes.select(
        *UNIT, "state", "checked_on", "likely_cause", "death_found_on"
    )
    first_loss = (
        outcomes.filter(pl.col("state").is_in(["dead", "lost to disaster"]))
        .group_by("colony_id")
        .agg(first_lost_winter=pl.col("winter").min())
    )
    state, cause = pl.col("state"), pl.col("likely_cause")
    gone_on = (
        pl.when(state.is_in(["dead", "lost to disaster"]))
        .then(pl.coalesce("death_found_on", "checked_on"))
        .when(state == "moved away")
        .then(pl.col("checked_on"))
    )
    facts = (
        units.join(outcomes, on=UNIT, how="left")
        .join(first_loss, on="colony_id", how="left")
        .join(
            _spring_checks(units, _checks(winter_outcomes, strength_inspections)),
            on=UNIT,
            how="left",
        )
        .with_columns(
            gone_on=gone_on,
            is_dead=(state == "dead").fill_null(False),
            has_disaster=(
                (state == "lost to disaster") | ((state == "dead") & (cause == "disaster"))
            ).fill_null(False),
            is_moved=(state == "moved away").fill_null(False),
            is_lost_earlier=(pl.col("first_lost_winter") < winter).fill_null(False),
            is_gone_before=(gone_on < pl.col("starts_on")).fill_null(False),
            is_told=state.is_not_null() | pl.col("is_known_before_spring"),
        )
    )
    return (
        facts.with_columns(verdict=_verdict())
        .with_columns(
            is_at_risk=~(pl.col("is_lost_earlier") | pl.col("is_gone_before")),
            is_alive=pl.col("verdict").replace_strict(
                {"alive": True, "lost": False}, default=None, return_dtype=pl.Boolean
            ),
        )
        .select(
            *UNIT,
            "is_at_risk",
            "is_alive",
            is_disaster=pl.col("verdict") == DISASTER,
            state=state,
            checked_on=pl.col("checked_on"),
            death_found_on=pl.col("death_found_on"),
            lost_on=pl.min_horizontal("gone_on", "empty_on"),
            likely_cause=pl.when(~pl.col("is_alive") | (pl.col("verdict") == DISASTER)).then(cause),
            survival_reason=pl.when(pl.col("is_alive").is_null()).then(pl.col("verdict")),
        )
        .sort(*UNIT)
    )


def _verdict() -> pl.Expr:
    """``alive``, ``lost``, or the reason why neither can be said."""
    spring, late = pl.col("spring_shown"), pl.col("late_shown")
    outlived_winter = (
        (pl.col("gone_on") > pl.col("ends_on")) & (spring == "laying queen")
    ).fill_null(False)
    by_check = (
        pl.when(spring == "laying queen")
        .then(pl.lit("alive"))
        .when(spring.is_not_null())
        .then(pl.lit("lost"))
        .when(late == "laying queen")
        .then(pl.lit("alive"))
        .when(late == "no bees")
        .then(pl.lit("lost"))
        .when(late == "no laying queen")
        .then(pl.lit(LATE_WITHOUT_QUEEN))
        .when(pl.col("has_bees"))
        .then(pl.lit(NO_QUEEN_SEEN))
    )
    return (
        pl.when(pl.col("is_lost_earlier"))
        .then(pl.lit(LOST_EARLIER))
        .when(pl.col("is_gone_before") & pl.col("is_moved"))
        .then(pl.lit(MOVED_BEFORE))
        .when(pl.col("is_gone_before"))
        .then(pl.lit(DEAD_BEFORE))
        .when(pl.col("has_disaster") & ~outlived_winter)
        .then(pl.lit(DISASTER))
        .when(pl.col("is_moved") & by_check.is_null())
        .then(pl.lit(MOVED))
        .when(pl.col("is_dead") & (pl.col("last_alive_on") > pl.col("gone_on")))
        .then(pl.lit(DISAGREE))
        .when(pl.col("is_dead") & ~outlived_winter)
        .then(pl.lit("lost"))
        .when(~pl.col("is_told"))
        .then(pl.lit(FIRST_SEEN_IN_SPRING))
        .when(by_check.is_not_null())
        .then(by_check)
        .when(pl.col("state").is_not_null())
        .then(pl.lit(NOT_YET))
        .otherwise(pl.lit(NO_OUTCOME))
    )
