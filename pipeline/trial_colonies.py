"""Which colonies can take part in next winter's draw, and why others cannot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.errors import StudyError
from pipeline.physics.envelope import SURFACES
from pipeline.settings import Settings
from pipeline.stages.hive_envelopes import hive_envelopes
from pipeline.stages.windows import winter_day, with_winter
from pipeline.stages.winter_survival import LOST_EARLIER
from pipeline.store import Store
from pipeline.study import Study

NOT_SEEN: Final = "no count of bees or mites this autumn"
EMPTY: Final = "no bees at its last inspection"
IS_SET_UP: Final = "its set-up for this winter is recorded already"
IS_OVER: Final = "what became of it this winter is recorded already"
NO_BODY: Final = "material or thickness of the hive body not recorded"
HALF_A_MITE: Final = 0.5  # added to every count, so that none found has a rate too

SIDES: Final = ("front", "back", "left", "right")
# surfaces that a level asks to be insulated, the others bare: of all that count as partial, the
# four walls, which count so whether the floor is counted or not
ASKED: Final[dict[str, tuple[str, ...]]] = {
    "none": (),
    "top": ("top",),
    "partial": SIDES,
    "full": SURFACES,
}


def asked_surfaces(level: str, settings: Settings) -> tuple[str, ...]:
    """Surfaces that a level asks to be insulated; without the floor where it is not counted."""
    is_counted = settings.levels.is_floor_counted
    return tuple(s for s in ASKED[level] if is_counted or s != "bottom")


@dataclass(frozen=True, slots=True)
class TrialTables:
    """What the choice of colonies reads: records, and tables that ``prepare`` made."""

    colonies: pl.DataFrame
    apiaries: pl.DataFrame
    set_ups: pl.DataFrame
    set_up_layers: pl.DataFrame
    strength_inspections: pl.DataFrame
    winter_outcomes: pl.DataFrame
    colony_seasons: pl.DataFrame
    winter_survival: pl.DataFrame
    strengths: pl.DataFrame
    mite_samples: pl.DataFrame


def load_trial_tables(study: Study) -> TrialTables:
    """Read the tables from a prepared study's store.

    Raises
    ------
    StudyError
        Nothing has been loaded, or the tables have not been derived.
    """
    names = list(TrialTables.__dataclass_fields__)
    study.require_loaded()
    with Store.open(study.store_path, read_only=True) as store:
        if not all(store.has_table(name) for name in names):
            raise StudyError(
                f"The tables of {study.path} have not been derived.",
                mend="Run: winterpool prepare STUDY.",
            )
        return TrialTables(**{name: store.table(name) for name in names})


def bare_hives(tables: TrialTables, winter: int, settings: Settings) -> pl.DataFrame:
    """Envelope of every hive with nothing added; ``hive_envelopes`` of one winter."""
    units = tables.colonies.select("colony_id", winter=pl.lit(winter, pl.Int64))
    return hive_envelopes(
        colony_seasons=units,
        colonies=tables.colonies,
        set_ups=units,
        set_up_layers=tables.set_up_layers.clear(),
        settings=settings,
    )


def _latest_counts(mite_samples: pl.DataFrame, winter: int) -> pl.DataFrame:
    """Rate of each colony's latest mite count; of one day's, a sample of bees before a board."""
    is_board = pl.col("method") == "sticky board"
    seen = pl.when(is_board).then("board_days").otherwise(pl.col("bees_sampled") / 100.0)
    return (
        mite_samples.filter(pl.col("winter") == winter)
        .with_columns(
            mite_rate=(pl.col("mites_counted") + HALF_A_MITE) / seen.cast(pl.Float64),
            mite_unit=pl.when(is_board).then(pl.lit("a day")).otherwise(pl.lit("per 100 bees")),
            _is_board=is_board,
        )
        .filter(seen > 0)
        .sort(
            "colony_id",
            "sampled_on",
            "_is_board",
            "sample_no",
            descending=[False, True, False, True],
        )
        .unique("colony_id", keep="first", maintain_order=True)
        .select("colony_id", "mite_rate", "mite_unit")
    )


def _last_seen(tables: TrialTables, winter: int, settings: Settings) -> pl.DataFrame:
    """Frames at each colony's last inspection before spring."""
    spring = winter_day(settings.winter.spring_strength_from, pl.lit(winter))
    return (
        with_winter(tables.strength_inspections, "inspected_on", settings.winter)
        .filter(pl.col("winter") == winter, pl.col("inspected_on") < spring)
        .sort("colony_id", "inspected_on")
        .group_by("colony_id", maintain_order=True)
        .agg(last_frames=pl.col("frames_of_bees").drop_nulls().last())
    )


def _body_reason(bare: pl.DataFrame, levels: tuple[str, ...], settings: Settings) -> pl.DataFrame:
    """Why a bare hive cannot take every level that may be drawn."""
    counted = asked_surfaces("full", settings)
    wrong = [s for s in counted if any(s not in ASKED[level] for level in levels)]
    is_wrong = [pl.col(f"is_{s}_insulated").fill_null(False) for s in wrong]
    return bare.select(
        "colony_id",
        body_reason=pl.when(pl.col("level").is_null())
        .then(pl.lit(NO_BODY))
        .when(pl.any_horizontal(pl.lit(False), *is_wrong))
        .then(pl.format("its bare hive counts as {} already", pl.col("level"))),
    )


def trial_colonies(
    tables: TrialTables, winter: int, levels: tuple[str, ...], settings: Settings
) -> pl.DataFrame:
    """Say of every colony of the study whether it can take part.

    Parameters
    ----------
    tables : TrialTables
    winter : int
    levels : tuple of str
    settings : Settings

    Returns
    -------
    polars.DataFrame
        One row per colony, by name: ``COLONIES_SCHEMA`` and ``reason``, null where it can. It
        must have been seen alive this autumn (bees counted, or mites), stand in a known apiary,
        have no set-up recorded for the winter, and a bare hive that can be made every level.
    """
    own = pl.col("winter") == winter
    lost = tables.winter_outcomes.filter(
        pl.col("winter") < winter, pl.col("state").is_in(["dead", "lost to disaster"])
    ).select("colony_id", is_lost=pl.lit(True))
    told = tables.winter_outcomes.filter(own).select("colony_id", is_over=pl.lit(True))
    set_up = tables.set_ups.filter(own).select("colony_id", is_set_up=pl.lit(True))
    joined = tables.colonies.select("colony_id", first_id="apiary_id")
    for table in (
        tables.colony_seasons.filter(own).select("colony_id", "apiary_id", "place_reason"),
        tables.winter_survival.filter(own).select("colony_id", "is_at_risk", "survival_reason"),
        tables.strengths.filter(own).select(
            "colony_id", strength_frames=pl.col("autumn_strength_frames")
        ),
        _latest_counts(tables.mite_samples, winter),
        _last_seen(tables, winter, settings),
        _body_reason(bare_hives(tables, winter, settings), levels, settings),
        lost.unique("colony_id"),
        told,
        set_up,
    ):
        joined = joined.join(table, on="colony_id", how="left")
    is_seen = pl.col("strength_frames").is_not_null() | pl.col("mite_rate").is_not_null()
    reason = (
        pl.when(pl.col("is_lost"))
        .then(pl.lit(LOST_EARLIER))
        .when(~pl.col("is_at_risk"))
        .then(pl.col("survival_reason"))
        .when(pl.col("is_over"))
        .then(pl.lit(IS_OVER))
        .when(pl.col("last_frames") == 0)
        .then(pl.lit(EMPTY))
        .when(~is_seen)
        .then(pl.lit(NOT_SEEN))
        .when(pl.col("place_reason").is_not_null())
        .then(pl.col("place_reason"))
        .when(pl.col("is_set_up"))
        .then(pl.lit(IS_SET_UP))
        .otherwise(pl.col("body_reason"))
    )
    return (
        joined.with_columns(apiary_id=pl.coalesce("apiary_id", "first_id"), reason=reason)
        .join(tables.apiaries.select("apiary_id", "member_id"), on="apiary_id", how="left")
        .select(
            "colony_id",
            "apiary_id",
            "member_id",
            "strength_frames",
            "mite_rate",
            "mite_unit",
            "reason",
        )
        .sort("colony_id")
    )
