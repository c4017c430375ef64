"""The first page: who asks, the answer, what it cannot tell.

``say_answer`` prints; the others return Markdown in which every text from data is escaped.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from reports.blocks import few_note, say, show_figure
from reports.context import Pool
from reports.estimates import winter_span
from reports.figures_estimates import answer_alt, answer_figure
from reports.summaries import (
    raw_by_level,
)
from reports.tables import Column
from reports.verdict import judge, load_checks, refits_path, weakening_sentences
from reports.wording import (
    NO_BREAK,
    Verdict,
    answer_sentences,
    count,
    headline_contrast,
    listed,
    main_rows,
    markdown_text,
    number,
)

_LEVEL_COLUMNS: Mapping[str, Column | str] = {
    "level": "Level",
    "units": "Colony-winters",
    "raw stores use": Column("raw mean", group="Stores used [kg]"),
    "model stores use": Column("model", group="Stores used [kg]"),
    "raw survival": Column("raw count", group="Alive in spring [%]"),
    "model survival": Column("model", group="Alive in spring [%]"),
    "raw spring strength": Column("raw mean", group="Spring frames, dead = 0"),
    "model spring strength": Column("model", group="Spring frames, dead = 0"),
}

_ADJUSTED = {
    "mites": "mites",
    "cold": "cold",
    "top opening": "top openings",
    "autumn strength": "autumn strength",
    "queen age": "age of the queen",
    "wind exposure": "wind",
    "elevation": "elevation",
}
"""Parts of the model that adjust for what was recorded, as prose calls them."""


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
    """Print the answer, set apart, and what its numbers are about."""
    checks = load_checks(pool)

    def word(p_benefit: float, outcome: str) -> Verdict:
        return judge(p_benefit, outcome, checks).verdict

    text = " ".join(answer_sentences(pool.estimands, pool.parts, word))
    weaker = [markdown_text(said) for said in weakening_sentences(pool.estimands, checks)]
    say(f"::: {{.answer}}\n{markdown_text(text)}\n:::", *weaker, basis(pool))


def basis(pool: Pool) -> str:
    """Say whom the answer's numbers are about and what an interval is; empty without numbers."""
    told = main_rows(pool.estimands).filter(
        (pl.col("contrast") == headline_contrast(pool.estimands))
        & (pl.col("status") == "estimated")
    )
    if told.is_empty():
        return ""
    whom = told["population"][0].strip().rstrip(".")
    over = f" over {markdown_text(whom[:1].lower() + whom[1:])}" if whom else ", per colony"
    return (
        f"Each number is a mean{over}. If the model is right, the true value lies in a "
        f"95{NO_BREAK}% interval with that probability; [one table](#words) fixes the words."
    )


def say_answer_figure(pool: Pool) -> None:
    """Print the first figure, where any group is large enough to be drawn."""
    if raw_by_level(pool)["is_hidden"].all():
        say("Too few members stand behind these records to draw what their colonies did.")
        return
    show_figure(pool, "answer", answer_caption(pool), answer_figure(pool), answer_alt(pool))


def answer_caption(pool: Pool) -> str:
    """Caption of the first figure."""
    drawn = (
        "Filled: the model, with 50 % (thick) and 95 % (thin) intervals. "
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
        "Raw counts beside the model’s estimates (95 % interval). The model puts the whole pool at "
        "each level, over the same days; raw means are of whoever used the level, over each "
        "colony’s own days, and raw frames the share alive times the mean of the n survivors "
        "counted." + few_note(pool, raw_by_level(pool))
    )


def level_columns(pool: Pool) -> dict[str, Column | str]:
    """Columns of the first table; those of the model only where it has estimates."""
    has_means = _has_means(pool)
    return {k: v for k, v in _LEVEL_COLUMNS.items() if has_means or not k.startswith("model")}


def limits(pool: Pool) -> list[str]:
    """Say what the answer cannot tell, as far as this pool is concerned."""
    units = pool.units
    if units["level"].count() == 0:
        return [
            "**Insulation.** Without recorded set-ups nothing can be said of it. What is shown "
            "here is what these colonies did, whatever their hives.",
            "**Next time.** A set-up record for each colony and winter, some hives with and some "
            "without insulation in the same apiary, would let these records answer the question; "
            "see [the cautions](#cautions) before changing a hive.",
        ]
    lot = units.filter(pl.col("assignment") == "randomised").height
    known = units["assignment"].count()
    chose = (
        f"{number(100 * lot / known)} % of the set-ups were drawn by lot, and count like those "
        "that members chose."
        if lot
        else "Members chose the set-ups; none was drawn by lot."
    )
    used = set(pool.parts.filter("is_included")["part"].to_list())
    adjusted = listed([words for part, words in _ADJUSTED.items() if part in used])
    model = (
        "The model compares hives of the same member"
        + (f" and adjusts for {adjusted} as recorded" if adjusted else "")
        + ". It cannot see a member who gives the better box to the better colony: that could move "
        "the answer by more than its interval, and only a draw by lot guards against it."
    )
    tried = "tried too" if (refits_path(pool) / "choices.csv").exists() else "not tried"
    return [
        f"**Cause.** {chose} {model}",
        "**The model.** Its sampler was [checked](#checks) and [questions](#fragility) were asked "
        f"of the answer; other rules for levels and winters were {tried}.",
        f"**What was not reported.** {unreported(pool)}; [gaps by level](#missing) can tilt the "
        "answer.",
        "**Other places.** It speaks for these hives and winters. Your box, bees and winter may "
        "differ; see [the cautions](#cautions).",
    ]


def unreported(pool: Pool) -> str:
    """Say how many colony-winters lack stores use and survival, and how that differs by level."""
    raw = raw_by_level(pool).filter(~pl.col("is_hidden"))
    said = []
    for outcome, column, known in (
        ("stores use", "stores_use_kg", "n_stores"),
        ("survival", "is_alive", "n_known"),
    ):
        n = pool.units.height - pool.units[column].count()
        shares = [100 * (1 - row[known] / row["n_units"]) for row in raw.to_dicts()]
        ends = [number(f(shares)) for f in (min, max)] if shares else []
        by_level = f" ({listed(ends, 'to')} % by level)" if len(set(ends)) == 2 else ""
        said.append(f"{outcome} of {number(n)}{by_level}")
    return f"Among {count(pool.units.height, 'colony-winter')}, {listed(said)} are missing"
