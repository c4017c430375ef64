"""Full insulation apiary by apiary: own records, partial pooling and the pool's answer."""

from __future__ import annotations

import polars as pl
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from models.apiary_effects import CONTRAST, PART
from models.vocabulary import OUTCOMES
from reports.blocks import folded, say, show_table, slug
from reports.context import Pool
from reports.figures import FAINT, INK, LEFT, LEVEL_COLOURS, house_style, new_figure
from reports.hover import Mark, show_hover_figure
from reports.tables import Column
from reports.wording import (
    because,
    decimals_of,
    main_rows,
    markdown_text,
    number,
    sentence,
    signed,
    unit_words,
)

_GAINS = {
    "stores use": "Stores saved",
    "survival": "Survival gained",
    "spring strength": "Spring strength gained",
}
TALLEST_IN = 4.0
"""Height of the rows of a figure, however many apiaries [in]: it must fit on a printed page."""


def apiary_rows(pool: Pool, outcome: str) -> pl.DataFrame:
    """Apiaries of one outcome by their place; nothing when too few members keep them.

    Raw differences go when the apiaries that have them belong to too few members.
    """
    rows = pool.apiaries.filter(
        (pl.col("outcome") == outcome) & (pl.col("n_members") >= pool.minimum_cell)
    ).sort("place")
    is_shown = pl.col("n_members_raw") >= pool.minimum_cell
    return rows.with_columns(raw=pl.when(is_shown).then("raw"))


def pool_row(pool: Pool, outcome: str) -> dict | None:
    """Return the pool's own estimate of the contrast."""
    rows = main_rows(pool.estimands).filter(
        (pl.col("outcome") == outcome)
        & (pl.col("contrast") == CONTRAST)
        & (pl.col("status") == "estimated")
    )
    return rows.row(0, named=True) if rows.height else None


def apiaries_figure(rows: pl.DataFrame, whole: dict) -> Figure:
    """Draw every apiary's estimate beside its own raw difference, and the pool's.

    Parameters
    ----------
    rows : polars.DataFrame
        Of one outcome, from ``apiary_rows``.
    whole : dict
        The pool's estimate, from ``pool_row``.
    """
    step = min(0.24, TALLEST_IN / rows.height)
    colour = LEVEL_COLOURS["full"]
    with house_style():
        figure, [axes] = new_figure(1.35 + step * (rows.height + 1))
        axes.axvspan(whole["q2.5"], whole["q97.5"], color=colour, alpha=0.13, lw=0)
        axes.axvline(whole["mean"], color=colour, lw=1.4, ls="--")
        axes.axvline(0, color=INK, lw=1)
        for row in rows.to_dicts():
            y = row["place"]
            axes.plot([row["q2.5"], row["q97.5"]], [y, y], color=colour, lw=1.2)
            axes.plot([row["q25"], row["q75"]], [y, y], color=colour, lw=3, solid_capstyle="butt")
            if row["raw"] is not None:
                axes.plot([row["raw"], row["mean"]], [y, y], color=FAINT, lw=0.8, ls=":")
                axes.plot(row["raw"], y, "D", ms=5, mfc="none", mec=LEFT, mew=1.2, zorder=6)
            axes.plot(row["mean"], y, "o", color=colour, ms=4.6, mec="white", mew=0.7, zorder=5)
        last = rows.height
        axes.set_ylim(last + 0.8, 0.2)
        axes.set_yticks([1, last] if last < 10 else [1, *range(10, last - 2, 10), last])
        axes.set_ylabel("place in the ranking")
        axes.set_xlabel(f"{_GAINS[whole['outcome']].lower()} [{unit_words(whole['unit'])}]")
        axes.grid(axis="x")
        handles = [
            Line2D([], [], marker="o", color=colour, lw=2, mec="white", label="partially pooled"),
            Line2D([], [], marker="D", color="none", mfc="none", mec=LEFT, label="own records"),
            Line2D([], [], color=colour, lw=1.4, ls="--", label="pool"),
        ]
        figure.legend(handles=handles, loc="outside lower left", ncols=3, columnspacing=1.4)
    return figure


def place_words(row: dict, of: int) -> str:
    """Say one apiary's numbers."""
    decimals, unit = decimals_of(row["unit"]), unit_words(row["unit"])
    own = "none of its own" if row["raw"] is None else f"own {signed(row['raw'], decimals)}"
    return (
        f"Place {row['place']} of {of}: {own}; partially pooled {signed(row['mean'], decimals)} "
        f"({signed(row['q2.5'], decimals)} to {signed(row['q97.5'], decimals)}) {unit}"
    )


def apiaries_marks(figure: Figure, rows: pl.DataFrame) -> list[Mark]:
    """Return what each row of the figure tells."""
    [axes] = figure.axes
    return [
        Mark(axes, place_words(row, rows.height), y=(row["place"] - 0.5, row["place"] + 0.5))
        for row in rows.to_dicts()
    ]


def apiaries_alt(rows: pl.DataFrame, whole: dict) -> str:
    """Say how far apiaries differ, as recorded and by the model."""
    decimals, unit = decimals_of(whole["unit"]), unit_words(whole["unit"])
    ends = [rows["mean"].max(), rows["mean"].min()]
    top, bottom = (signed(value, decimals) for value in ends)  # type: ignore[arg-type]
    raw = rows["raw"].drop_nulls()
    own = "no apiary has a raw difference to show"
    if len(raw):
        low, high = (signed(v, decimals) for v in (raw.min(), raw.max()))  # type: ignore[arg-type]
        own = f"raw differences of the {len(raw)} with both levels run from {low} to {high}"
    return (
        f"{_GAINS[whole['outcome']]} by full insulation in each of {rows.height} apiaries, in "
        f"{unit}: partially pooled from {top} at the first place to {bottom} at the last; {own}; "
        f"the pool {signed(whole['mean'], decimals)}, 95 % interval "
        f"{signed(whole['q2.5'], decimals)} to {signed(whole['q97.5'], decimals)}."
    )


def not_drawn(pool: Pool) -> str:
    """Say why there is no figure of apiaries."""
    if pool.parts.is_empty():
        return "The model has not been fitted."
    if not pool.apiaries.is_empty():
        return f"Apiaries are not shown apart: fewer than {number(pool.minimum_cell)} members."
    left_out = pool.parts.filter((pl.col("part") == PART) & ~pl.col("is_included"))
    if left_out.height:
        reason = because(left_out["reason"][0])
        return sentence(f"Whether full insulation does more in one apiary than in another {reason}")
    if any(pool_row(pool, outcome) for outcome in OUTCOMES):
        return "This fit did not write the apiaries' own estimates; `winterpool fit` does."
    return "Full insulation against none has no estimate, so no apiary has one."


def say_apiaries(pool: Pool) -> None:
    """Print one figure an outcome, with its table folded away, or why there is none."""
    drawn = False
    for outcome in OUTCOMES:
        rows, whole = apiary_rows(pool, outcome), pool_row(pool, outcome)
        if rows.is_empty() or whole is None:
            continue
        if not drawn:
            say(
                "The model lets full insulation do more in one apiary than in another, and learns "
                "from all apiaries how far they differ. An apiary with few colonies is drawn to "
                "the pool; one with many keeps more of its own. Places differ also in cold and in "
                "all else that the model knows of their colonies. Where the dots hardly differ, "
                "the records show no difference between apiaries beyond chance. Apiaries stand by "
                "their place in the ranking, each outcome ranked anew, without names or sizes."
            )
        drawn = True
        figure = apiaries_figure(rows, whole)
        show_hover_figure(
            pool,
            f"apiaries-{slug(outcome)}",
            f"{outcome.capitalize()}: full insulation against none in each apiary; right of the "
            "line is better. Diamonds: the apiary’s own raw difference, where it had both levels, "
            "nothing adjusted but the days between weighings. Dots: the model’s estimate for the "
            "same colonies, with 50 % (thick) and 95 % (thin) intervals. Dashed and shaded: "
            "the pool’s.",
            figure,
            apiaries_alt(rows, whole),
            apiaries_marks(figure, rows),
        )
        decimals, unit = decimals_of(whole["unit"]), unit_words(whole["unit"])
        with folded(f"The same as numbers: {outcome}"):
            show_table(
                f"apiaries-{slug(outcome)}",
                f"{outcome.capitalize()}: gain by full insulation in each apiary [{unit}].",
                rows,
                {
                    "place": "Place",
                    "raw": Column("Own records", decimals),
                    "mean": Column("Partially pooled", decimals),
                    "q2.5": Column("from", decimals, group="95 % interval"),
                    "q97.5": Column("to", decimals, group="95 % interval"),
                },
            )
    if not drawn:
        say(markdown_text(not_drawn(pool)))
