"""Figures of the finding: the answer by level, the contrasts, the subgroups."""

from __future__ import annotations

import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke

from models.vocabulary import OUTCOMES
from reports.context import Pool
from reports.figures import (
    FAINT,
    INK,
    LEVEL_COLOURS,
    draw_interval,
    house_style,
    mark_empty,
    name_rows,
    new_figure,
    spread,
)
from reports.summaries import counted_frames, raw_by_level, with_level
from reports.wording import decimals_of, listed, number, signed, unit_words

_GAIN_TITLES = {
    "stores use": "Stores saved",
    "survival": "Survival gained",
    "spring strength": "Spring strength gained",
}
_PANELS = {
    "stores use": ("Stores used [kg]", "stores_use_kg", "kg"),
    "survival": ("Alive in spring [%]", "survival", "%"),
    "spring strength": ("Spring strength [frames of bees, dead = 0]", "frames", "frames"),
}


def _raw_points(axes: Axes, units: pl.DataFrame, outcome: str, levels: list[str]) -> None:
    if outcome == "survival":
        return
    value = counted_frames() if outcome == "spring strength" else pl.col("stores_use_kg")
    for y, level in enumerate(levels):
        points = units.filter(pl.col("level") == level).select(value.alias("x")).drop_nulls()
        x = points["x"].sort().to_numpy()
        height = y + 0.24 + spread(len(x), 0.12)
        axes.plot(x, height, ".", ms=4, color=FAINT, alpha=0.7, mew=0, clip_on=False)


def _model_rows(pool: Pool, outcome: str) -> dict[str, dict]:
    rows = pool.level_means.filter((pl.col("outcome") == outcome) & pl.col("mean").is_not_null())
    return {row["level"]: row for row in rows.to_dicts()}


def answer_figure(pool: Pool) -> Figure:
    """Draw each outcome by level: the raw pool behind the model's estimates."""
    raw = raw_by_level(pool)
    levels = raw["level"].to_list()
    shown = raw.filter(~pl.col("is_hidden"))
    is_hidden = shown.height < raw.height
    units = with_level(pool.shown).filter(pl.col("level").is_in(shown["level"].implode()))
    with house_style():
        figure, panels = new_figure(0.9 + 3 * max(0.64 + 0.26 * len(levels), 1.15), rows=3)
        for axes, (outcome, (title, column, _)) in zip(panels, _PANELS.items(), strict=True):
            axes.set_title(title)
            if raw[column].count():
                _raw_points(axes, units, outcome, levels)
            modelled = _model_rows(pool, outcome)
            for y, row in enumerate(raw.to_dicts()):
                if row[column] is not None:
                    axes.plot(row[column], y + 0.24, "D", ms=5.5, mfc="white", mec=INK, mew=1.2)
                if row["level"] in modelled:
                    draw_interval(
                        axes, y - 0.14, modelled[row["level"]], LEVEL_COLOURS[row["level"]]
                    )
            name_rows(axes, levels)
            axes.set_xlim(left=0, right=100 if outcome == "survival" else None)
            mark_empty(axes, "groups of few members are not shown" if is_hidden else "no records")
        model = Line2D([], [], marker="o", color=INK, lw=3, ms=7, mec="white", label="model")
        mean = Line2D([], [], marker="D", color="none", mfc="white", mec=INK, label="raw mean")
        colony = Line2D([], [], marker=".", color="none", mfc=FAINT, mec=FAINT, label="one colony")
        is_modelled = pool.level_means["mean"].count() > 0
        figure.legend(
            handles=[*([model] if is_modelled else []), mean, colony],
            loc="outside lower left",
            ncols=3,
            handlelength=1.6,
            columnspacing=1.4,
        )
    return figure


def answer_alt(pool: Pool) -> str:
    """Say what the answer figure shows."""
    said = []
    raw = {row["level"]: row for row in raw_by_level(pool).to_dicts()}
    for outcome, (title, column, unit) in _PANELS.items():
        decimals = decimals_of(unit)
        modelled = _model_rows(pool, outcome)
        parts = []
        for level, row in raw.items():
            told = [f"raw {number(row[column], decimals)}"] if row[column] is not None else []
            if level in modelled:
                low, high = modelled[level]["q2.5"], modelled[level]["q97.5"]
                told.append(
                    f"model {number(modelled[level]['mean'], decimals)}, 95 % interval "
                    f"{number(low, decimals)} to {number(high, decimals)}"
                )
            if told:
                parts.append(f"{level}: {'; '.join(told)}")
        said.append(f"{title}. {'. '.join(parts) or 'No values'}.")
    return "Three panels by insulation level. " + " ".join(said)


def _estimated(pool: Pool) -> pl.DataFrame:
    return pool.estimands.filter(
        (pl.col("status") == "estimated") & (pl.col("measure") == "difference")
    )


def contrast_rows(pool: Pool) -> pl.DataFrame:
    """Overall differences, one row an outcome, contrast and horizon, in the files' order."""
    return _estimated(pool).filter(pl.col("subgroup") == "all")


def subgroup_rows(pool: Pool, contrast: str) -> pl.DataFrame:
    """Differences of one contrast within subgroups, these winters."""
    return _estimated(pool).filter(
        (pl.col("subgroup") != "all")
        & (pl.col("contrast") == contrast)
        & (pl.col("horizon") == "these winters")
    )


def forest_figure(rows: pl.DataFrame, names: list[str], marks: list[bool]) -> Figure:
    """Draw differences with intervals, one panel an outcome, a line at no difference.

    Parameters
    ----------
    rows : polars.DataFrame
        Estimates, one a line.
    names : list of str
        What each line is called.
    marks : list of bool
        Lines drawn fainter: predictions for a new winter.
    """
    lines = rows.with_columns(pl.Series("name", names), pl.Series("is_new", marks))
    outcomes = [o for o in OUTCOMES if o in lines["outcome"].to_list()]
    counts = [lines.filter(pl.col("outcome") == o).height for o in outcomes]
    with house_style():
        height = 0.3 + sum(0.75 + 0.3 * n for n in counts)
        ratios = [0.75 + 0.3 * n for n in counts]
        figure, panels = new_figure(height, rows=len(outcomes), height_ratios=ratios)
        for axes, outcome in zip(panels, outcomes, strict=True):
            here = lines.filter(pl.col("outcome") == outcome).to_dicts()
            for y, row in enumerate(here):
                draw_interval(axes, y, row, FAINT if row["is_new"] else LEVEL_COLOURS["full"])
            axes.axvline(0, color=INK, lw=1)
            axes.set_title(f"{_GAIN_TITLES[outcome]} [{unit_words(here[0]['unit'])}]")
            name_rows(axes, [row["name"] for row in here])
    return figure


def forest_alt(rows: pl.DataFrame, names: list[str]) -> str:
    """Say what a forest figure shows, line by line."""
    said = []
    for row, name in zip(rows.to_dicts(), names, strict=True):
        decimals = decimals_of(row["unit"])
        size = f"{signed(row['mean'], decimals)} {unit_words(row['unit'])}"
        said.append(
            f"{_GAIN_TITLES[row['outcome']].lower()}, {name}: {size}, "
            f"95 % interval {signed(row['q2.5'], decimals)} to {signed(row['q97.5'], decimals)}"
        )
    return "Differences with intervals. " + "; ".join(said) + "."


def compared_means(pool: Pool) -> pl.DataFrame:
    """Levels whose raw and modelled means are both there, of the three outcomes."""
    raw = raw_by_level(pool)
    values = pl.concat(
        raw.select(pl.lit(outcome).alias("outcome"), "level", pl.col(column).alias("raw"))
        for outcome, (_, column, _) in _PANELS.items()
    )
    rows = pool.level_means.drop("raw").join(
        values, on=["outcome", "level"], how="inner", maintain_order="left"
    )
    return rows.drop_nulls(["raw", "mean"])


def _named_below(places: dict[str, tuple[float, float]], near: float) -> set[str]:
    """Names that go below their interval: another level stands near, and higher."""
    return {
        name
        for name, (x, y) in places.items()
        if any(o != name and abs(ox - x) < near and oy > y for o, (ox, oy) in places.items())
    }


def model_against_raw_figure(pool: Pool) -> Figure:
    """Draw the model's level means against the raw means of the same levels."""
    rows = compared_means(pool)
    outcomes = [o for o in OUTCOMES if o in rows["outcome"].to_list()]
    with house_style():
        figure, panels = new_figure(2.9 * len(outcomes), rows=len(outcomes))
        for axes, outcome in zip(panels, outcomes, strict=True):
            here = rows.filter(pl.col("outcome") == outcome).to_dicts()
            ends = [row[k] for row in here for k in ("raw", "q2.5", "q97.5")]
            low, high = min(ends), max(ends)
            pad = 0.08 * (high - low) or 1.0
            line = np.array([low - pad, high + pad])
            places = {row["level"]: (row["raw"], row["mean"]) for row in here}
            below = _named_below(places, near=0.15 * (high - low))
            axes.plot(line, line, color=FAINT, lw=1, ls="--")
            for row in here:
                colour = LEVEL_COLOURS.get(row["level"], INK)
                axes.plot([row["raw"]] * 2, [row["q2.5"], row["q97.5"]], color=colour, lw=2)
                axes.plot(row["raw"], row["mean"], "o", color=colour, ms=7)
                is_below = row["level"] in below
                axes.annotate(
                    row["level"],
                    (row["raw"], row["q2.5" if is_below else "q97.5"]),
                    (0, -4 if is_below else 4),
                    textcoords="offset points",
                    ha="center",
                    va="top" if is_below else "bottom",
                    path_effects=[withStroke(linewidth=3, foreground="white")],
                )
            axes.margins(y=0.2)
            title = _PANELS[outcome][0]
            axes.set(title=title, xlabel="raw mean of the level", ylabel="model", xlim=line)
            axes.grid()
    return figure


def model_against_raw_alt(pool: Pool) -> str:
    """Say how far the model moved each level from its raw mean."""
    said = []
    for row in compared_means(pool).to_dicts():
        decimals = decimals_of(_PANELS[row["outcome"]][2])
        said.append(
            f"{row['outcome']}, {row['level']}: raw {number(row['raw'], decimals)}, "
            f"model {number(row['mean'], decimals)}"
        )
    return f"Model estimates against raw means. {listed(said)}."
