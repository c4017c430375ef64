"""What the report says of cold and top openings: the curve, and openings apart from the level."""

from __future__ import annotations

import polars as pl
from matplotlib.figure import Figure

from models.conditions import OPENING
from models.standardised import COLD
from models.vocabulary import OUTCOMES
from reports.blocks import say, show_figure, show_table
from reports.context import Pool
from reports.figures import INK, LEVEL_COLOURS, house_style, new_figure
from reports.tables import Column
from reports.wording import (
    contrast_words,
    decimals_of,
    estimate,
    headline_contrast,
    sentence,
    signed,
    unit_words,
)

_GAINS = {
    "stores use": "Stores saved",
    "survival": "Survival gained",
    "spring strength": "Spring strength gained",
}


def cold_rows(pool: Pool) -> pl.DataFrame:
    """Points of the headline contrast's curve; empty where none was made."""
    contrast = headline_contrast(pool.estimands)
    return pool.conditions.filter(
        (pl.col("condition") == COLD) & (pl.col("contrast") == contrast)
    ).sort("outcome", "value")


def cold_curve_figure(rows: pl.DataFrame) -> Figure:
    """Draw the contrast against the cold, one panel an outcome, a line at no difference."""
    outcomes = [o for o in OUTCOMES if o in rows["outcome"].to_list()]
    with house_style():
        figure, panels = new_figure(0.5 + 1.9 * len(outcomes), rows=len(outcomes))
        for axes, outcome in zip(panels, outcomes, strict=True):
            here = rows.filter(pl.col("outcome") == outcome)
            cold, colour = here["value"], LEVEL_COLOURS["full"]
            axes.fill_between(cold, here["q2.5"], here["q97.5"], color=colour, alpha=0.2, lw=0)
            axes.plot(cold, here["mean"], color=colour, lw=2)
            axes.axhline(0, color=INK, lw=1)
            axes.grid(axis="y")
            axes.set_title(f"{_GAINS[outcome]} [{unit_words(here['unit'][0])}]")
        panels[-1].set_xlabel("Mean cold over the winter [K·day per day]")
    return figure


def cold_curve_alt(rows: pl.DataFrame) -> str:
    """Say where each curve begins and ends."""
    said = []
    for outcome in (o for o in OUTCOMES if o in rows["outcome"].to_list()):
        here = rows.filter(pl.col("outcome") == outcome).to_dicts()
        decimals = decimals_of(here[0]["unit"])
        ends = [
            f"{signed(row['mean'], decimals)} at {row['value']:.1f} K·day per day"
            for row in (here[0], here[-1])
        ]
        said.append(f"{_GAINS[outcome].lower()}: {ends[0]}, {ends[1]}")
    return "Difference against cold, with a 95 % band. " + "; ".join(said) + "."


def say_cold_curve(pool: Pool) -> None:
    """Print how the headline contrast changes with the cold, where the model lets it change."""
    rows = cold_rows(pool)
    if rows.is_empty():
        return
    say(
        "The same question along a line: had every place in the pool been as cold as the axis "
        "says, all else as it was. The line is straight on the model's own scale, so it smooths "
        "over whatever happens between, and it is drawn only where nine in ten colony-winters lie."
    )
    show_figure(
        pool,
        "cold-curve",
        f"{sentence(contrast_words(headline_contrast(pool.estimands)))} Difference by cold, "
        "these winters, with 95 % band; above the line is better. Each panel has its own scale.",
        cold_curve_figure(rows),
        cold_curve_alt(rows),
    )


def opening_table(pool: Pool) -> pl.DataFrame:
    """Table what an open top does at none and at full; outcome, at none, at full as text."""
    rows = pool.conditions.filter(pl.col("condition") == OPENING)
    made = []
    for outcome in OUTCOMES:
        own = {r["contrast"]: r for r in rows.filter(pl.col("outcome") == outcome).to_dicts()}
        if not own:
            continue
        line = {"outcome": _GAINS[outcome]}
        for level in ("none", "full"):
            row = own[f"{level}: open vs closed"]
            line[level] = estimate(row | {"measure": "difference", "status": "estimated"})
        made.append(line)
    return pl.DataFrame(made, schema=dict.fromkeys(("outcome", "none", "full"), pl.String))


def say_openings(pool: Pool) -> None:
    """Print what the top opening does, apart from the level."""
    table = opening_table(pool)
    if table.is_empty():
        say(
            "What an open top does cannot be told apart here: openings are not recorded, or "
            "too few members used both kinds at the same level."
        )
        return
    say(
        "What an open top does against a closed one, the level as it is. Positive is better with "
        "the top open. Openings were not drawn by lot either; members who close them differ in "
        "other ways."
    )
    show_table(
        "openings",
        "Open against closed top without insulation and with full insulation, these winters, with "
        "95 % intervals.",
        table,
        {
            "outcome": "Outcome",
            "none": Column("At none"),
            "full": Column("At full"),
        },
    )
