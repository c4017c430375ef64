"""A trial's analysis as drawn: what the lot decided, whatever became of it.

The study's own fit takes every set-up as it was done. Keepers who could not do as drawn may
have had weaker colonies, and leaving them out or counting them where they ended brings back what
the lot took away; as drawn, the comparison keeps it, and answers what drawing a level does.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from models.refits.base import Records, Variation
from pipeline.stages.hive_envelopes import NO_BODY, NO_FIGURE, NO_SET_UP
from pipeline.stages.windows import UNIT

AS_ASSIGNED: Final = "as_assigned"
NOT_DRAWN: Final = "not in a draw"
_OF_THE_SET_UP: Final = (NO_SET_UP, NO_BODY, NO_FIGURE)


def as_assigned(records: Records, drawn: pl.DataFrame) -> Records:
    """Keep drawn colony-winters alone, each at the level it was drawn.

    Parameters
    ----------
    records : Records
    drawn : polars.DataFrame
        ``colony_id``, ``winter`` and ``level``, as ``pipeline.trial_record.drawn_units`` gives.

    Returns
    -------
    Records
        A colony left out only because of its set-up (none recorded, or not known) is in again.
    """
    lots = drawn.select(*UNIT, drawn_level=pl.col("level").cast(pl.String))
    reason, is_drawn = pl.col("exclusion_reason"), pl.col("drawn_level").is_not_null()
    is_of_set_up = reason.is_in(_OF_THE_SET_UP).fill_null(False)
    kept = records.colony_winters.schema
    marked = records.colony_winters.join(lots, on=UNIT, how="left", maintain_order="left")
    units = marked.with_columns(
        level=pl.when(is_drawn).then("drawn_level").otherwise("level").cast(kept["level"]),
        exclusion_reason=pl.when(is_drawn & is_of_set_up)
        .then(pl.lit(None, kept["exclusion_reason"]))
        .when(~is_drawn & reason.is_null())
        .then(pl.lit(NOT_DRAWN))
        .otherwise(reason),
    )
    return Records(units.select(list(kept)), records.mite_samples)


def drawn_variation(drawn: pl.DataFrame) -> list[Variation]:
    """Make the refit of drawn colony-winters at the level of the lot; none without a draw.

    Parameters
    ----------
    drawn : polars.DataFrame
        As ``as_assigned`` takes it.
    """
    if drawn.is_empty():
        return []
    return [
        Variation(
            AS_ASSIGNED,
            AS_ASSIGNED,
            "only set-ups drawn by lot, at the level of the lot",
            change_records=lambda records: as_assigned(records, drawn),
        )
    ]
