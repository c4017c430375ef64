"""Refits with fewer records: complete cases, set-ups drawn by lot, one member left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from models.checks.base import Evidence
from models.checks.influence import Left, leave_each_out
from models.checks.left_out_record import good_k
from models.data import Pool
from models.refits.base import Records, Variation

COMPLETE_CASES, DRAWN_BY_LOT, WITHOUT_ONE = "complete_cases", "drawn_by_lot", "without_one"
MOST_LEFT_OUT: Final = 5  # each costs a refit; the worst tell most
INCOMPLETE: Final = "not a complete case"
CHOSEN: Final = "set-up not drawn by lot"
LEFT_OUT: Final = "left out to see what hangs on it"

# What a complete case has, by the part of the model that reads it. Autumn stores are not asked
# for: they are empty by rule where a wrap stood on the scale, so that asking would drop levels,
# not gaps.
_READ_BY: Final = {
    "cold": pl.col("cold_kd_per_day").is_not_null(),
    "autumn strength": pl.col("autumn_strength_frames").is_not_null(),
    "queen age": pl.col("queen_age_years").is_not_null(),
    "wind exposure": pl.col("wind_exposure").is_not_null(),
    "elevation": pl.col("elevation_m").is_not_null(),
    "top opening": pl.col("top_opening").is_not_null(),
    "mites": (pl.col("mite_counts_used") > 0) & pl.col("was_treated").is_not_null(),
}


def only_complete_cases(records: Records, parts: Sequence[str]) -> Records:
    """Leave out units that lack anything which the model reads of them before winter.

    Parameters
    ----------
    records : Records
    parts : sequence of str
        Parts included in the study's own model: what is recorded too rarely to be in it is not
        asked for.
    """
    asked = [is_known for name, is_known in _READ_BY.items() if name in parts]
    is_complete = pl.all_horizontal(asked or [pl.lit(True)])
    return records.leaving_out(~is_complete.fill_null(False), INCOMPLETE)


def only_drawn_by_lot(records: Records) -> Records:
    """Leave out units whose set-up the keeper chose, or nobody said how it was decided."""
    is_drawn = (pl.col("assignment").cast(pl.String) == "randomised").fill_null(False)
    return records.leaving_out(~is_drawn, CHOSEN)


def without(records: Records, kind: str, name: str) -> Records:
    """Leave out one member or one apiary.

    Parameters
    ----------
    records : Records
    kind : {"member", "apiary"}
    name : str
    """
    return records.leaving_out(pl.col(f"{kind}_id") == name, LEFT_OUT)


def without_largest_member(records: Records) -> Records:
    """Leave out the member with the most analysed units, the first by name of equals."""
    counts = (
        records.colony_winters.filter(pl.col("exclusion_reason").is_null())
        .group_by("member_id")
        .len()
        .drop_nulls()
        .sort("len", "member_id", descending=[True, False])
    )
    return without(records, "member", counts["member_id"][0]) if counts.height else records


def subset_variations(pool: Pool) -> list[Variation]:
    """Complete cases and set-ups drawn by lot.

    Parameters
    ----------
    pool : Pool
        The study's own.
    """
    parts = [name for name, part in pool.parts.items() if part.is_included]
    return [
        Variation(
            COMPLETE_CASES,
            COMPLETE_CASES,
            "only colony-winters with nothing missing",
            change_records=lambda records: only_complete_cases(records, parts),
        ),
        Variation(
            DRAWN_BY_LOT,
            DRAWN_BY_LOT,
            "only set-ups drawn by lot",
            change_records=only_drawn_by_lot,
        ),
    ]


def worst_left_out(evidence: Evidence) -> tuple[list[Left], int]:
    """Members and apiaries that reweighting cannot judge, the worst first.

    Returns
    -------
    worst : list of Left
        At most ``MOST_LEFT_OUT``; of those with the same k the one with more units first.
    n_open : int
        All of them.
    """
    limit = good_k(evidence.leaving_out.draws.n)
    unsure = [left for left in leave_each_out(evidence) if not left.is_reliable(limit)]
    ranked = sorted(unsure, key=lambda left: (-left.k, -left.n_units, left.kind, left.index))
    return ranked[:MOST_LEFT_OUT], len(unsure)


def left_out_variations(evidence: Evidence) -> tuple[list[Variation], int]:
    """Refits without those members and apiaries that reweighting cannot judge.

    Returns
    -------
    variations : list of Variation
        At most ``MOST_LEFT_OUT``. Their files say member or apiary and the rank, never whom.
    n_open : int
        All that reweighting cannot judge.
    """
    if evidence.headline is None or len(evidence.pool.members) < 2:
        return [], 0
    worst, n_open = worst_left_out(evidence)
    made = []
    for rank, left in enumerate(worst, start=1):
        names = evidence.pool.members if left.kind == "member" else evidence.pool.apiaries
        name = names[left.index]
        made.append(
            Variation(
                f"{WITHOUT_ONE}_{rank}",
                WITHOUT_ONE,
                f"without one {left.kind} (rank {rank} of those to refit)",
                change_records=lambda records, kind=left.kind, name=name: without(  # type: ignore[misc]
                    records, kind, name
                ),
                told={"kind": left.kind, "rank": rank, "n_left_out": left.n_units, "of": n_open},
            )
        )
    return made, n_open
