"""What was done, beside what was drawn: each drawn colony, and every deviation in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.settings import WinterSettings
from pipeline.stages.windows import winter_day

NO_RECORD: Final = "no record of this winter"
OTHER_APIARY: Final = "stood in another apiary when the winter began"
NOT_FLAGGED: Final = "how the set-up was decided is not recorded"
CHOSEN: Final = "recorded as chosen by the keeper"
NOT_DRAWN: Final = "recorded as drawn, but not in the draw"
NO_DAY: Final = "the day it was set up is not recorded"
LATE: Final = "complete only after the last day of autumn weighings"
NOT_KNOWN: Final = "not known"


@dataclass(frozen=True, slots=True)
class Done:
    """Tables that say what was done, as ``prepare`` and members' records have them."""

    colony_winters: pl.DataFrame
    colony_seasons: pl.DataFrame
    winter_survival: pl.DataFrame
    hive_envelopes: pl.DataFrame
    set_ups: pl.DataFrame


def _told(condition: pl.Expr, words: str | pl.Expr) -> pl.Expr:
    said = pl.lit(words) if isinstance(words, str) else words
    return pl.when(condition.fill_null(False)).then(said)


def compare_with_done(
    drawn: pl.DataFrame, done: Done, winter: int, settings: WinterSettings
) -> pl.DataFrame:
    """Put what was done beside what was drawn.

    Parameters
    ----------
    drawn : polars.DataFrame
        As ``pipeline.assignment.DRAWN_SCHEMA``.
    done : Done
    winter : int
    settings : WinterSettings
        A set-up complete after ``autumn_weighing_to`` is late.

    Returns
    -------
    polars.DataFrame
        One row per colony that was drawn, or says so: colony_id, winter, apiary_id, member_id,
        drawn (level, null where not in the draw), done (level by the rule, null when not known),
        is_as_drawn (null when not known or never at risk), and deviations: all that apply, in
        words, null when none.
    """
    own = pl.col("winter") == winter
    facts = done.colony_winters.filter(own).select(
        "colony_id", "assignment", "exclusion_reason", done="level", stood_at="apiary_id",
        kept_by="member_id",
    )  # fmt: skip
    known = done.colony_seasons.filter(own).select("colony_id", is_known=pl.lit(True))
    last_day = winter_day(settings.autumn_weighing_to, pl.lit(winter))
    risk = done.winter_survival.filter(own).select("colony_id", "is_at_risk", "survival_reason")
    envelopes = done.hive_envelopes.filter(own).select("colony_id", "level_reason")
    installed = done.set_ups.filter(own).select("colony_id", "installed_on")
    claimed = facts.filter(pl.col("assignment") == "randomised").select("colony_id")
    listed = drawn.select("colony_id", "apiary_id", "member_id", drawn="level")
    joined = listed.join(claimed, on="colony_id", how="full", coalesce=True)
    for table in (facts, known, risk, envelopes, installed):
        joined = joined.join(table, on="colony_id", how="left")
    is_drawn = pl.col("drawn").is_not_null()
    was_there = is_drawn & pl.col("is_known") & pl.col("is_at_risk")
    has_level = was_there & pl.col("done").is_not_null()
    deviations = (
        _told(~is_drawn, NOT_DRAWN),
        _told(is_drawn & pl.col("is_known").is_null(), NO_RECORD),
        _told(is_drawn & ~pl.col("is_at_risk"), pl.col("survival_reason")),
        _told(was_there & (pl.col("stood_at") != pl.col("apiary_id")), OTHER_APIARY),
        _told(was_there & pl.col("done").is_null(), pl.col("level_reason")),
        _told(
            has_level & (pl.col("done") != pl.col("drawn")),
            pl.format("drawn {}, done {}", "drawn", "done"),
        ),
        _told(has_level & (pl.col("assignment") == "chosen"), CHOSEN),
        _told(has_level & pl.col("assignment").is_null(), NOT_FLAGGED),
        _told(has_level & (pl.col("drawn") != "none") & pl.col("installed_on").is_null(), NO_DAY),
        _told(has_level & (pl.col("installed_on") > last_day), LATE),
    )
    words = pl.concat_str(deviations, separator="; ", ignore_nulls=True)
    return joined.select(
        "colony_id",
        winter=pl.lit(winter, pl.Int64),
        apiary_id=pl.coalesce("apiary_id", "stood_at"),
        member_id=pl.coalesce("member_id", "kept_by"),
        drawn="drawn",
        done=pl.when(pl.col("is_at_risk").fill_null(False)).then("done"),
        is_as_drawn=pl.when(has_level).then(pl.col("done") == pl.col("drawn")),
        deviations=pl.when(words != "").then(words),
    ).sort("apiary_id", "colony_id")


def count_done(compared: pl.DataFrame) -> pl.DataFrame:
    """Count what was done by what was drawn.

    Returns
    -------
    polars.DataFrame
        winter, drawn, done (``not known`` where there is no level), n_units, n_members.
    """
    return (
        compared.drop_nulls("drawn")
        .group_by("winter", "drawn", pl.col("done").fill_null(NOT_KNOWN))
        .agg(
            n_units=pl.len().cast(pl.Int64), n_members=pl.col("member_id").n_unique().cast(pl.Int64)
        )
        .sort("winter", "drawn", "done")
    )
