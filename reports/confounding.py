"""How strong an unrecorded cause would have to be to make the survival estimate out of nothing."""

from __future__ import annotations

import polars as pl

from models.e_values import e_value, limit_e_value
from models.vocabulary import SURVIVAL
from reports.context import Pool
from reports.wording import contrast_words, headline_contrast, number


def survival_ratio(pool: Pool) -> dict | None:
    """Row of the headline contrast's ratio of surviving, these winters; None without a number."""
    rows = pool.estimands.filter(
        pl.col("outcome") == SURVIVAL,
        pl.col("contrast") == headline_contrast(pool.estimands),
        pl.col("measure") == "ratio",
        pl.col("subgroup") == "all",
        pl.col("horizon") == "these winters",
        pl.col("status") == "estimated",
    )
    return None if rows.is_empty() else rows.row(0, named=True)


def _death_sentence(pool: Pool, contrast: str) -> str:
    """E-value of the ratio of being lost, from the two modelled means; empty without them."""
    means = {
        row["level"]: row["mean"]
        for row in pool.level_means.filter(pl.col("outcome") == SURVIVAL).to_dicts()
    }
    lost = [100.0 - (means.get(level) or 100.0) for level in contrast.split(" vs ")]
    if min(lost) <= 0.0:
        return ""
    ratio = lost[0] / lost[1]
    return (
        f" Told as the ratio of being *lost*, {number(ratio, 2)} by the two modelled means, the "
        f"E-value is {number(e_value(ratio), 2)}: the same answer on another scale, so compare "
        "E-values only of the same ratio."
    )


def e_value_sentence(pool: Pool) -> str:
    """Say the E-value of the headline's survival ratio, and what it means; empty without one."""
    row = survival_ratio(pool)
    if row is None:
        return ""
    ratio, low, high = row["mean"], row["q2.5"], row["q97.5"]
    value, limit = e_value(ratio), limit_e_value(ratio, low, high)
    near = (
        "The interval holds 1 already, so its E-value is 1: no hidden cause is needed for there "
        "to be no effect."
        if limit == 1.0
        else f"To move the interval’s nearer end to 1, {number(limit, 2)} each would do."
    )
    return (
        "**How strong would a hidden cause have to be?** For "
        f"{contrast_words(row['contrast'])}, the "
        f"ratio of *surviving* is {number(ratio, 2)} ({number(low, 2)} to {number(high, 2)}). To "
        "make that out of nothing, something nobody recorded would have to be at least "
        f"{number(value, 2)} times as common at one level as at the other and change the chance of "
        f"surviving at least {number(value, 2)}-fold (its *E-value*), beyond all that is adjusted "
        f"for. {near}{_death_sentence(pool, row['contrast'])} Whether such a cause exists no "
        "record here can tell; [a figure](#fragility) shows what unequal strengths would leave."
    )
