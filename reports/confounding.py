"""How strong an unrecorded cause would have to be to make the survival estimate out of nothing."""

from __future__ import annotations

import polars as pl

from models.e_values import STRENGTHS, bias_grid, e_value, limit_e_value
from models.vocabulary import SURVIVAL
from reports.context import Pool
from reports.tables import Column
from reports.wording import contrast_words, headline_contrast, number

GONE = "gone"


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
        "record here can tell; [a table](#confounding) shows what unequal strengths would leave."
    )


def _left(cell: dict) -> str:
    if cell["is_estimate_explained"]:
        return GONE
    shown = number(cell["risk_ratio"], 2)
    return f"({shown})" if cell["is_interval_explained"] else shown


def bias_table(pool: Pool) -> pl.DataFrame:
    """Table what is left of the survival ratio behind hidden causes of given strengths, as text.

    Returns
    -------
    polars.DataFrame
        with_exposure and a column for each strength with the outcome: the ratio left, in brackets
        where its interval holds 1, ``gone`` where nothing is left. Empty without an estimate.
    """
    names = [number(s, 2) for s in STRENGTHS]
    schema = dict.fromkeys(("with_exposure", *names), pl.String)
    row = survival_ratio(pool)
    if row is None:
        return pl.DataFrame(schema=schema)
    grid = bias_grid(row["mean"], row["q2.5"], row["q97.5"])
    rows = [
        {
            "with_exposure": number(strength, 2),
            **{
                number(cell["with_outcome"], 2): _left(cell)
                for cell in grid.filter(with_exposure=strength).to_dicts()
            },
        }
        for strength in STRENGTHS
    ]
    return pl.DataFrame(rows, schema=schema)


def bias_columns(table: pl.DataFrame) -> dict[str, Column | str]:
    """Columns of that table."""
    columns: dict[str, Column | str] = {
        "with_exposure": Column("Tie with the set-up", is_number=True)
    }
    for name in table.columns[1:]:
        columns[name] = Column(name, group="Tie with survival", is_number=True)
    return columns


def bias_caption(pool: Pool) -> str:
    """Caption of that table; empty without an estimate."""
    row = survival_ratio(pool)
    if row is None:
        return ""
    return (
        f"What would be left of the ratio of surviving, {contrast_words(row['contrast'])} "
        f"({number(row['mean'], 2)}), behind a hidden cause that weakens it as much as it can. "
        "*Tie with the set-up*: how many times as common it is at one level as at the other; *tie "
        "with survival*: how many times as likely survival is with it (or without). In brackets: "
        f"the 95 % interval holds 1. *{GONE}*: nothing of the estimate is left."
    )
