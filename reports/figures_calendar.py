"""The coverage calendar: which kinds of records exist in which month of the winter."""

from __future__ import annotations

from calendar import month_abbr, month_name
from itertools import groupby

import numpy as np
import polars as pl
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from reports.blocks import few_note, say, show_figure, show_table
from reports.context import Pool
from reports.coverage import KINDS, MONTHS
from reports.figures import FAINT, INK, KEPT, house_style, new_figure
from reports.tables import FEW, Column
from reports.wording import count, listed, number

# a step at one half: no shade lies where neither black nor white numbers can be read
_HALF = 0.5
_SHADES = [(0.0, "#FFFFFF"), (_HALF, "#6AAED6"), (_HALF, KEPT), (1.0, "#003A5C")]
_BLUES = LinearSegmentedColormap.from_list("coverage", _SHADES)


def _by_kind(pool: Pool) -> dict[str, list[dict]]:
    rows: dict[str, list[dict]] = {}
    for row in pool.coverage.to_dicts():
        rows.setdefault(row["kind"], []).append(row)
    return {kind: rows[kind] for kind in KINDS if kind in rows}


def calendar_figure(pool: Pool) -> Figure:
    """Draw kinds of records against months; each cell the colony-winters that have one."""
    kinds = _by_kind(pool)
    n_all = pool.shown.height
    shares = np.array(
        [[(row["n_units"] or 0) / n_all for row in rows] for rows in kinds.values()], dtype=float
    )
    with house_style():
        figure, [axes] = new_figure(0.75 + 0.34 * len(kinds))
        axes.imshow(shares, cmap=_BLUES, vmin=0, vmax=1, aspect="auto")
        for y, rows in enumerate(kinds.values()):
            for x, row in enumerate(rows):
                if row["is_hidden"]:
                    corner = (x - 0.5, y - 0.5)
                    axes.add_patch(Rectangle(corner, 1, 1, fc="none", ec=FAINT, hatch="////", lw=0))
                elif row["n_units"]:
                    colour = "white" if shares[y, x] >= _HALF else INK
                    size = 8 if row["n_units"] < 1000 else 6.8
                    text = str(row["n_units"])
                    axes.text(x, y, text, ha="center", va="center", color=colour, size=size)
        axes.set_xticks(range(12), [month_abbr[month] for month in MONTHS])
        axes.set_yticks(range(len(kinds)), list(kinds))
        axes.set_xticks(np.arange(-0.5, 12), minor=True)
        axes.set_yticks(np.arange(-0.5, len(kinds)), minor=True)
        axes.grid(which="minor", color="white", lw=1.5)
        axes.tick_params(which="both", length=0)
        axes.tick_params(axis="x", labelsize=9)
        axes.spines[:].set_visible(False)
    return figure


def _runs(seen: list[bool]) -> list[str]:
    """Name the stretches of months, from July, that are marked."""
    said = []
    for is_seen, places in groupby(range(12), key=lambda k: seen[k]):
        months = [month_name[MONTHS[k]] for k in places]
        if is_seen:
            said.append(months[0] if len(months) == 1 else f"{months[0]} to {months[-1]}")
    return said


def calendar_alt(pool: Pool) -> str:
    """Say for each kind of record when there is one, and when most have one."""
    n_all = pool.shown.height
    said = []
    for kind, rows in _by_kind(pool).items():
        seen = [bool(row["n_units"] or row["is_hidden"]) for row in rows]
        when = listed(_runs(seen))
        known = [row for row in rows if row["n_units"]]
        if known:
            most = max(known, key=lambda row: row["n_units"])
            share = number(100 * most["n_units"] / n_all)
            when += (
                f", most in {month_name[most['month']]} with {number(most['n_units'])} "
                f"colony-winters ({share} %)"
            )
        said.append(f"{kind}: {when}")
    return (
        f"Records by month of winter, July to June, of {count(n_all, 'colony-winter')}. "
        f"{'; '.join(said)}."
    )


def calendar_table(pool: Pool) -> pl.DataFrame:
    """Table the same counts: a row a kind, a column a month, all as text."""
    return pl.DataFrame(
        [
            {
                "kind": kind,
                **{
                    month_abbr[row["month"]]: FEW if row["is_hidden"] else number(row["n_units"])
                    for row in rows
                },
            }
            for kind, rows in _by_kind(pool).items()
        ],
        schema=dict.fromkeys(("kind", *(month_abbr[month] for month in MONTHS)), pl.String),
    )


def say_calendar(pool: Pool) -> None:
    """Print the calendar and its table, or that no dated record is there."""
    if pool.coverage.is_empty():
        say("No record with a date belongs to these colony-winters, so no calendar is drawn.")
        return
    hatched = "; hatched: too few members to show" if pool.coverage["is_hidden"].any() else ""
    show_figure(
        pool,
        "calendar",
        "Kinds of records by month, all winters together: colony-winters with at least one such "
        f"record in the month, of {count(pool.shown.height, 'colony-winter')} (dark: half of them "
        f"or more{hatched}).",
        calendar_figure(pool),
        calendar_alt(pool),
    )
    table = calendar_table(pool)
    show_table(
        "calendar",
        "The same as numbers: colony-winters with at least one such record in the month."
        + few_note(pool, table),
        table,
        {"kind": "Record"}
        | {name: Column(name, is_number=True) for name in table.columns if name != "kind"},
    )
