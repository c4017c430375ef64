"""A figure of what trials of different sizes can tell."""

from __future__ import annotations

import polars as pl
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from models.vocabulary import OUTCOMES
from reports.figures import WIDTH_IN, house_style
from reports.wording import count, decimals_of, number, unit_words

LIKELY = 0.8  # of being decisive: the usual aim of a trial (common practice, no source)
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#5A5A5A")
_MARKERS = ("o", "s", "^", "D", "v")
_TITLES = {
    "stores use": "Stores saved",
    "survival": "Survival gained",
    "spring strength": "Spring strength gained",
}


def precision_figure(rows: pl.DataFrame) -> Figure:
    """Draw the width against colonies an apiary: a row an outcome, a column a number of winters.

    Parameters
    ----------
    rows : polars.DataFrame
        Rows of ``results/precision.csv`` of one target.
    """
    outcomes = [o for o in OUTCOMES if o in rows["outcome"].to_list()]
    winters, apiaries, colonies = (
        rows[name].unique().sort().to_list() for name in ("winters", "apiaries", "colonies")
    )
    with house_style():
        figure = Figure(
            figsize=(WIDTH_IN * 1.15, 0.9 + 1.75 * len(outcomes)),
            layout=ConstrainedLayoutEngine(h_pad=0.08, w_pad=0.06),
        )
        grid = figure.subplots(
            len(outcomes), len(winters), sharex=True, sharey="row", squeeze=False
        )
        for line, outcome in zip(grid, outcomes, strict=True):
            widest = max(rows.filter(pl.col("outcome") == outcome)["width"].to_list())
            for axes, winter in zip(line, winters, strict=True):
                for k, apiary in enumerate(apiaries):
                    own = rows.filter(
                        (pl.col("outcome") == outcome)
                        & (pl.col("winters") == winter)
                        & (pl.col("apiaries") == apiary)
                    ).sort("colonies")
                    colour = _COLOURS[k % len(_COLOURS)]
                    axes.plot(own["colonies"], own["width"], color=colour, lw=1.4)
                    for likely, fill in ((True, colour), (False, "white")):
                        some = own.filter((pl.col("p_decisive") >= LIKELY) == likely)
                        axes.plot(
                            some["colonies"],
                            some["width"],
                            _MARKERS[k % len(_MARKERS)],
                            color=colour,
                            mfc=fill,
                            ms=6,
                        )
                axes.grid(axis="y")
                axes.set_ylim(0, 1.1 * widest)
                axes.set_xticks(colonies if len(colonies) <= 4 else colonies[:: len(colonies) // 3])
                axes.tick_params(labelsize=9)
                axes.set_title(count(winter, "winter") if outcome == outcomes[0] else "", size=10)
            unit = rows.filter(pl.col("outcome") == outcome)["unit"][0]
            line[0].set_ylabel(f"{_TITLES[outcome]}\n[{unit_words(unit)}]", size=9)
        handles = [
            grid[0][0].plot([], [], _MARKERS[k % 5] + "-", color=_COLOURS[k % 5], mfc="white")[0]
            for k in range(len(apiaries))
        ]
        figure.legend(
            handles,
            [count(a, "apiary", "apiaries") for a in apiaries],
            loc="outside upper center",
            ncols=min(len(apiaries), 4),
            fontsize=9,
        )
        for axes in grid[-1]:
            axes.set_xlabel("Colonies an apiary", size=9)
    return figure


def precision_alt(rows: pl.DataFrame) -> str:
    """Say the widths of the smallest and the largest trial, by outcome."""
    said = []
    for outcome in (o for o in OUTCOMES if o in rows["outcome"].to_list()):
        own = rows.filter(pl.col("outcome") == outcome).sort("colony_winters", "width")
        first, last = own.row(0, named=True), own.row(-1, named=True)
        unit = unit_words(first["unit"])
        ends = [
            f"{number(row['width'], decimals_of(unit))} {unit} with "
            f"{row['colony_winters']} colony-winters"
            for row in (first, last)
        ]
        said.append(f"{_TITLES[outcome].lower()}: {ends[0]}, {ends[1]}")
    return "Expected width of the 89 % interval by the size of the trial. " + "; ".join(said) + "."
