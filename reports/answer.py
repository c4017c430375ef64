"""The first page: who asks, the answer, what it cannot tell.

``say_answer`` prints; the others return Markdown in which every text from data is escaped.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from reports.blocks import few_note, say
from reports.context import Pool
from reports.estimates import winter_span
from reports.summaries import (
    raw_by_level,
)
from reports.tables import Column
from reports.wording import (
    answer_sentences,
    count,
    listed,
    markdown_text,
    number,
)

LEVEL_COLUMNS: Mapping[str, Column | str] = {
    "level": "Level",
    "units": "Colony-winters",
    "raw stores use": Column("raw mean", group="Stores used [kg]"),
    "model stores use": Column("model", group="Stores used [kg]"),
    "raw survival": Column("raw", group="Alive in spring [%]"),
    "model survival": Column("model", group="Alive in spring [%]"),
    "raw spring strength": Column("raw mean", group="Spring frames, dead = 0"),
    "model spring strength": Column("model", group="Spring frames, dead = 0"),
}


_OUTCOME_COLUMN = {"stores use": "stores_use_kg", "survival": "is_alive"}


def who_asks(pool: Pool) -> str:
    """Name the study and the size of the pool."""
    units = pool.units
    study = pool.settings.study
    name = markdown_text(study.name)
    whose = f", {markdown_text(study.association)}" if study.association else ""
    if units.is_empty():
        size = (
            f"No colony-winter could be analysed; the records speak of "
            f"{number(pool.colony_winters.height)}, and of {number(pool.wintered.height)} they "
            "say how they ended."
        )
    else:
        size = (
            f"{count(units.height, 'colony-winter')} of "
            f"{count(units['member_id'].n_unique(), 'member')} in "
            f"{count(units['apiary_id'].n_unique(), 'apiary', 'apiaries')}, {winter_span(pool)}."
        )
    return f"**{name}**{whose}. {size}"


def say_answer(pool: Pool) -> None:
    """Print the answer, set apart."""
    text = " ".join(answer_sentences(pool.estimands, pool.parts))
    say(f"::: {{.answer}}\n{markdown_text(text)}\n:::")


def answer_caption(pool: Pool) -> str:
    """Caption of the first figure."""
    drawn = (
        "Filled: the model, with 50 % (thick) and 89 % (thin) intervals. "
        if _has_means(pool)
        else ""
    )
    return f"Each outcome by insulation level. {drawn}Open: the raw pool, not adjusted."


def _has_means(pool: Pool) -> bool:
    return pool.level_means["mean"].count() > 0


def level_caption(pool: Pool) -> str:
    """Caption of the first table."""
    if not _has_means(pool):
        return "Raw counts by insulation level." + few_note(pool, raw_by_level(pool))
    return (
        "Raw counts beside the model’s estimates (89 % interval). The model’s column is what the "
        "whole pool would show with every colony at that level."
        + few_note(pool, raw_by_level(pool))
    )


def limits(pool: Pool) -> list[str]:
    """Say what the answer cannot tell, as far as this pool is concerned."""
    units = pool.units
    if units["level"].count() == 0:
        return [
            "**Insulation.** Without recorded set-ups nothing can be said of it. The figure and "
            "table show what these colonies did, whatever their hives.",
            "**Next time.** A set-up record for each colony and winter, some hives with and some "
            "without insulation in the same apiary, would let these records answer the question.",
        ]
    lot = units.filter(pl.col("assignment") == "randomised").height
    known = units["assignment"].count()
    chose = (
        f"{number(100 * lot / known)} % of the set-ups were drawn by lot; members chose the others."
        if lot
        else "Members chose the set-ups; none was drawn by lot."
    )
    unknown = {o: units.height - units[c].count() for o, c in _OUTCOME_COLUMN.items()}
    gaps = listed([f"{o} of {number(n)}" for o, n in unknown.items()])
    first = (
        f"**Cause.** {chose} The model compares hives of the same member, and adjusts for mites, "
        "cold, openings and autumn strength as recorded. It cannot see a member who gives the "
        "better box to the better colony; only a draw by lot can."
    )
    items = [
        first,
        "**Other places.** It speaks for these hives and winters. Your box, bees and winter may "
        "differ; see [the cautions](#cautions).",
    ]
    if units.height:
        items.append(
            f"**What was not reported.** Among {count(units.height, 'colony-winter')}, {gaps} "
            "are missing; [gaps by level](#missing) can tilt the answer."
        )
    return items
