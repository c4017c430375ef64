"""Figures of the pool itself: the flow of records, the cold, the mites, the loggers."""

from __future__ import annotations

import polars as pl
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from models.vocabulary import LEVELS
from reports.context import Pool
from reports.figures import (
    FAINT,
    INK,
    KEPT,
    LEFT,
    LEVEL_COLOURS,
    draw_median,
    house_style,
    name_rows,
    new_figure,
    spread,
)
from reports.summaries import apiary_cold, flow, mite_loads, sensors_by_level
from reports.wording import listed, number, winter_name

NEW_UNITS = ("records in rows", "colony-winters spoken of")
"""Steps of the flow from which something else is counted."""


def flow_figure(pool: Pool) -> Figure:
    """Draw the flow from rows received to units analysed, with what is left out at each step."""
    steps = flow(pool).to_dicts()
    with house_style():
        figure, [axes] = new_figure(0.2 + 0.56 * len(steps))
        axes.set(xlim=(0, 10), ylim=(-len(steps) + 0.45, 0.55))
        axes.axis("off")
        for i, step in enumerate(steps):
            is_outcome = step["step"].startswith("with ")
            x = 0.9 if is_outcome else 0.1
            shape = "round,pad=0.02,rounding_size=0.08"
            box = FancyBboxPatch((x, -i - 0.28), 5, 0.56, boxstyle=shape, fc="white", ec=KEPT)
            axes.add_patch(box)
            axes.text(x + 0.2, -i, number(step["kept"]), va="center", weight="bold", size=11)
            axes.text(x + 4.85, -i, step["step"], va="center", ha="right", size=9.5)
            if step["left"]:
                arrow = {"arrowstyle": "->", "color": LEFT}
                axes.annotate("", (6.75, -i), (x + 5.05, -i), arrowprops=arrow)
                axes.text(6.85, -i + 0.16, number(step["left"]), va="center", color=LEFT)
                axes.text(6.85, -i - 0.2, step["why"], va="center", color=INK, size=8.5)
            if i + 1 < len(steps) and not is_outcome:
                is_new_unit = steps[i + 1]["step"] in NEW_UNITS
                arrow = {"arrowstyle": "->", "color": FAINT, "ls": ":" if is_new_unit else "-"}
                axes.annotate("", (2.0, -i - 0.72), (2.0, -i - 0.28), arrowprops=arrow)
    return figure


def flow_alt(pool: Pool) -> str:
    """Say the flow in words."""
    said = []
    for step in flow(pool).to_dicts():
        left = f" ({number(step['left'])} {step['why']})" if step["left"] else ""
        said.append(f"{number(step['kept'])} {step['step']}{left}")
    return f"Flow of records, step by step: {'; '.join(said)}."


def cold_figure(pool: Pool) -> Figure:
    """Draw the mean cold of every apiary-winter, one row a winter."""
    cold = apiary_cold(pool)
    names = sorted(cold["winter"].unique().to_list())
    with house_style():
        figure, [axes] = new_figure(1.0 + 0.5 * len(names))
        for y, winter in enumerate(names):
            x = cold.filter(pl.col("winter") == winter)["cold"].sort().to_numpy()
            axes.plot(x, y + spread(len(x), 0.22), "o", ms=5, color=KEPT, alpha=0.6, mew=0)
            axes.plot([x.mean()] * 2, [y - 0.32, y + 0.32], color=INK, lw=2)
        name_rows(axes, [winter_name(w) for w in names])
        base = number(pool.settings.winter.degree_day_base_c)
        axes.set_xlabel(f"mean cold below {base} °C [K·day per day]")
    return figure


def cold_alt(pool: Pool) -> str:
    """Say how cold each winter was and how much apiaries differed."""
    cold = apiary_cold(pool)
    said = []
    for winter in sorted(cold["winter"].unique().to_list()):
        x = cold.filter(pl.col("winter") == winter)["cold"]
        low, mean, high = (number(float(v), 1) for v in (x.min(), x.mean(), x.max()))  # type: ignore[arg-type]
        said.append(f"{winter_name(winter)} mean {mean}, from {low} to {high}")
    return f"Mean cold of each apiary by winter, degree-days per day: {'; '.join(said)}."


def mites_figure(pool: Pool) -> Figure:
    """Draw mites per 100 bees by level, every colony-winter washed or rolled a point."""
    loads = mite_loads(pool)
    levels = [name for name in (*LEVELS, "not recorded") if name in loads["level"].to_list()]
    with house_style():
        figure, [axes] = new_figure(1.0 + 0.5 * len(levels))
        for y, level in enumerate(levels):
            x = loads.filter(pl.col("level") == level)["load"].sort()
            colour = LEVEL_COLOURS[level]
            axes.plot(x, y + spread(len(x), 0.24), ".", ms=5, color=colour, alpha=0.5, mew=0)
            draw_median(axes, y, x)
        axes.set_xscale("symlog", linthresh=1.0)
        ticks = [0, 1, 2, 5, 10, 20, 50]
        axes.set_xticks(ticks, [str(t) for t in ticks])
        axes.set_xlim(left=-0.05)
        axes.minorticks_off()
        name_rows(axes, levels)
        axes.set_xlabel("mites per 100 bees (bar: median); even steps to 1, then by ratio")
    return figure


def mites_alt(pool: Pool) -> str:
    """Say the median mite load by level."""
    loads = mite_loads(pool)
    said = []
    for level in (*LEVELS, "not recorded"):
        x = loads.filter(pl.col("level") == level)["load"]
        if len(x):
            said.append(f"{level} {number(float(x.median()), 1)} of {len(x)} colony-winters")  # type: ignore[arg-type]
    return f"Mites per 100 bees by insulation level, medians: {listed(said)}."


def sensors_figure(pool: Pool) -> Figure:
    """Draw hours of condensation risk and in-hive temperature by level."""
    shown = sensors_by_level(pool).filter(~pl.col("is_hidden"))
    units = pool.shown.filter(pl.col("sensor_days").fill_null(0) > 0)
    panels_of = [
        ("condensation_risk_h", "Condensation risk [h a winter]"),
        ("in_hive_temperature_mean_c", "Mean in-hive temperature [°C]"),
    ]
    levels = [name for name in shown["level"].to_list() if name in LEVELS]
    with house_style():
        figure, panels = new_figure(0.4 + 2 * (0.6 + 0.42 * len(levels)), rows=2)
        for axes, (column, title) in zip(panels, panels_of, strict=True):
            for y, level in enumerate(levels):
                x = units.filter(pl.col("level") == level)[column].drop_nulls().sort()
                colour = LEVEL_COLOURS[level]
                axes.plot(x, y + spread(len(x), 0.2), "o", ms=4, color=colour, alpha=0.5, mew=0)
                draw_median(axes, y, x)
            axes.set_title(title)
            name_rows(axes, levels)
    return figure


def sensors_alt(pool: Pool) -> str:
    """Say what loggers showed by level."""
    said = []
    for row in sensors_by_level(pool).filter(~pl.col("is_hidden")).to_dicts():
        hours, warmth = number(row["risk_h"]), number(row["temperature_c"], 1)
        said.append(f"{row['level']}: median {hours} hours of condensation risk, {warmth} °C")
    return f"Loggers by insulation level, each point a colony-winter. {'; '.join(said)}."
