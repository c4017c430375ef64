"""Figures of the payoff: net benefit, break-even, what turns it, and the map of two prices."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from matplotlib.ticker import MaxNLocator

from models.estimands import ALL, THESE
from models.payoff.inputs import CHOICES, material_price
from models.payoff.one_way import MAP_POINTS, worths_of_stores
from reports.figures import (
    FAINT,
    INK,
    KEPT,
    LEFT,
    LEVEL_COLOURS,
    draw_interval,
    house_style,
    name_rows,
    new_figure,
)
from reports.payoff_page import PayoffFound, input_words, main_level, third_name
from reports.wording import chance, listed, number, signed

MOST_BARS: Final = 12
CHANCES: Final = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)
_LINES: Final = {
    "top": (0, (5, 1.5, 1, 1.5)),
    "partial": (0, (5, 2)),
    "full": "-",
    "full closed": (0, (1, 1.5)),
}
_HALO: Final = [withStroke(linewidth=3, foreground="white")]


def _known(found: PayoffFound) -> pl.DataFrame:
    return found.table("payoff").drop_nulls("mean")


def _row_name(row: dict) -> str:
    if row["horizon"] != THESE:
        return f"{row['level']}, {row['horizon']}"
    return row["level"] if row["subgroup"] == ALL else f"{row['level']}, {third_name(row)}"


def net_figure(found: PayoffFound) -> Figure:
    """Draw the net benefit of each level: all, a new winter, thirds by cold."""
    rows = _known(found).to_dicts()
    with house_style():
        figure, [axes] = new_figure(0.9 + 0.3 * len(rows))
        for y, row in enumerate(rows):
            is_main = (row["subgroup"], row["horizon"]) == (ALL, THESE)
            draw_interval(axes, y, row, LEVEL_COLOURS[row["level"]] if is_main else FAINT)
        axes.axvline(0, color=INK, lw=1)
        name_rows(axes, [_row_name(row) for row in rows])
        axes.set_xlabel(f"net benefit against none [{found.currency}]")
    return figure


def net_alt(found: PayoffFound) -> str:
    """Say each net benefit with its interval."""
    said = [
        f"{_row_name(row)}: {signed(row['mean'], 1)}, 95 % {signed(row['q2.5'], 1)} to "
        f"{signed(row['q97.5'], 1)}"
        for row in _known(found).to_dicts()
    ]
    return f"Net benefit in {found.currency} a colony and winter. {'; '.join(said)}."


def horizon_figure(found: PayoffFound) -> Figure:
    """Draw the probability of having paid back against winters, a line a level."""
    table = found.table("payoff_horizon")
    with house_style():
        figure, [axes] = new_figure(3.2)
        for level in CHOICES:
            own = table.filter(pl.col("level") == level)
            if own.is_empty():
                continue
            x, y = own["winters"].to_numpy(), 100 * own["p_paid_back"].to_numpy()
            style: dict[str, Any] = {"color": LEVEL_COLOURS[level], "ls": _LINES[level]}
            axes.plot(x, y, lw=2, marker="o", ms=4, label=level, **style)
        axes.set(xlabel="winters since it was bought", ylabel="paid back [%]", ylim=(0, 102))
        axes.set_xlim(0.7, table["winters"].to_numpy().max() + 0.3)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.grid(axis="y")
        figure.legend(loc="outside upper left", ncols=len(CHOICES))
    return figure


def horizon_alt(found: PayoffFound) -> str:
    """Say the chance of having paid back after some winters."""
    said = []
    for (level,), own in found.table("payoff_horizon").group_by("level", maintain_order=True):
        at = {row["winters"]: row["p_paid_back"] for row in own.to_dicts()}
        ends = sorted({1, 2, max(at) // 2, max(at)} & set(at))
        told = [f"{chance(at[n])} % after {n}" for n in ends]
        said.append(f"{level}: {listed(told)}")
    return f"Probability of having paid back its cost, by winters. {'; '.join(said)}."


def _shown_bars(found: PayoffFound) -> list[dict]:
    table = found.table("payoff_one_way").filter(pl.col("level") == main_level(found))
    return table.head(MOST_BARS).to_dicts()


def turns_figure(found: PayoffFound) -> Figure:
    """Draw how far each single input moves the main level's net benefit, widest first."""
    rows = _shown_bars(found)
    with house_style():
        figure, [axes] = new_figure(1.3 + 0.36 * len(rows))
        base = rows[0]["net"]
        names = []
        for y, row in enumerate(rows):
            ends = (("lower", row["net_low"], LEFT, "//"), ("higher", row["net_high"], KEPT, ""))
            for label, end, colour, hatch in ends:
                axes.barh(
                    y,
                    end - base,
                    left=base,
                    height=0.62,
                    color=colour,
                    hatch=hatch,
                    edgecolor="white",
                    lw=0.5,
                    label=f"input at its {label} end" if y == 0 else None,
                )
            names.append(f"{input_words(row['input'])}{' *' if row['is_turn_in_range'] else ''}")
        axes.axvline(base, color=INK, lw=1, ls="--")
        axes.axvline(0, color=INK, lw=1.4)
        axes.margins(x=0.08)
        name_rows(axes, names)
        axes.tick_params(axis="y", labelsize=9)
        axes.set_xlabel(f"net benefit of {main_level(found)} [{found.currency}]")
        figure.legend(loc="outside upper right", ncols=2)
    return figure


def turns_alt(found: PayoffFound) -> str:
    """Say what each input moves the net benefit to."""
    said = [
        f"{input_words(row['input'])}: {signed(row['net_low'], 1)} to {signed(row['net_high'], 1)}"
        + (" (turns the answer)" if row["is_turn_in_range"] else "")
        for row in _shown_bars(found)
    ]
    return (
        f"Net benefit of {main_level(found)} as each input moves from its lower to its higher "
        f"end, all others as given. {'; '.join(said)}."
    )


def _map_grid(found: PayoffFound) -> dict[str, np.ndarray]:
    """Columns of the main level's map; worth of stores down, cost of material along."""
    table = found.table("payoff_map").filter(pl.col("level") == main_level(found))
    shape = (MAP_POINTS, MAP_POINTS)
    names = ("material", "stores_worth", "mean", "p_pays")
    return {name: table[name].to_numpy().reshape(shape) for name in names}


def map_figure(found: PayoffFound) -> Figure:
    """Draw the probability of paying by cost of material and worth of a kilogram saved."""
    grid, inputs = _map_grid(found), found.inputs
    material, worth, mean = grid["material"][0], grid["stores_worth"][:, 0], grid["mean"]
    own = inputs.given[material_price(main_level(found), inputs.given)].value
    with house_style():
        figure, [axes] = new_figure(4.2)
        norm = BoundaryNorm(CHANCES, 256)
        filled = axes.contourf(
            material, worth, grid["p_pays"], levels=CHANCES, cmap="cividis", norm=norm
        )
        bar = figure.colorbar(filled, ax=axes, label="probability that it pays [%]")
        bar.set_ticks(CHANCES, labels=[f"{100 * c:.0f}" for c in CHANCES])
        if mean.min() < 0.0 < mean.max():
            line = axes.contour(material, worth, mean, levels=[0.0], colors="white", linewidths=2)
            line.set(path_effects=[withStroke(linewidth=4, foreground=INK)])
        marks = {"honey": "^", "sugar spared": "v"}
        for name, value in worths_of_stores(inputs).items():
            axes.plot(own, value, marks[name], ms=9, color="white", mec=INK, mew=1.4, zorder=5)
            axes.annotate(
                name,
                (own, value),
                (9, 0),
                textcoords="offset points",
                va="center",
                color=INK,
                path_effects=_HALO,
            )
        currency = found.currency
        axes.set_xlabel(f"material for one hive [{currency}]")
        axes.set_ylabel(f"worth of a kg of stores [{currency}]")
    return figure


def map_alt(found: PayoffFound) -> str:
    """Say the chance of paying at the map's corners and at the prices as given."""
    grid, inputs, currency = _map_grid(found), found.inputs, found.currency
    material, worths, pays = grid["material"][0], grid["stores_worth"][:, 0], grid["p_pays"]
    own = inputs.given[material_price(main_level(found), inputs.given)].value
    along = int(np.abs(material - own).argmin())
    said = []
    for name, worth in worths_of_stores(inputs).items():
        p = float(pays[int(np.abs(worths - worth).argmin()), along])
        said.append(f"near {number(worth, 2)} a kilogram ({name}) {chance(p)} %")
    low, high = chance(float(pays.min())), chance(float(pays.max()))
    return (
        f"Probability that {main_level(found)} pays, by cost of material and worth of a kilogram "
        f"of stores in {currency}: from {low} % to {high} % over the map; at material for "
        f"{number(own, 2)}, {listed(said)}."
    )
