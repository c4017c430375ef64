"""Figures of a member's page: static, narrow, with the member's own language on the axes."""

from __future__ import annotations

import base64
import io
import warnings

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.dates import MonthLocator, num2date
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FuncFormatter

from pipeline.html_pages import escape, plain
from pipeline.languages import Words
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
    spread,
)
from reports.members.compare import LoggerLines, ShareRow, WinterRow

BAND = "#D4D4D4"
NARROW_IN = 4.3
"""Width of every figure [in], so that its words stay readable on a phone."""
_LINES = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#5A5A5A")
_DASHES = ("-", "--", "-.", ":", (0, (5, 1)), (0, (1, 1)))


def figure_html(figure: Figure, alt: str, caption: str, invented: str) -> str:
    """Write a figure as an image inside the page, with its size, alt text and caption."""
    if invented:
        figure.supxlabel(invented, x=0.995, ha="right", size=8, color=LEFT)
    buffer = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": "winterpool"}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph", UserWarning)  # a name in another script
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    data = base64.b64encode(buffer.getvalue().encode()).decode()
    width, height = (round(inches * 100) for inches in figure.get_size_inches())
    said = f"{invented}: {alt}" if invented else alt
    return (
        f'<figure><img src="data:image/svg+xml;base64,{data}" alt="{escape(said)}" '
        f'width="{width}" height="{height}"><figcaption>{escape(caption)}</figcaption></figure>'
    )


def _local(value: float, w: Words) -> str:
    return f"{value:g}".replace(".", w.decimal).replace("-", "−")


def _local_numbers(axes: Axes, w: Words) -> None:
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _local(value, w)))


def _narrow(
    height_in: float, rows: int = 1, height_ratios: list[float] | None = None
) -> tuple[Figure, list[Axes]]:
    figure, axes = new_figure(height_in, rows, height_ratios)
    figure.set_size_inches(NARROW_IN, height_in)
    return figure, axes


def dots_figure(rows: list[WinterRow], label: str, w: Words) -> Figure:
    """Draw the member's colonies as dots over the others' middle half, a row a winter."""
    with house_style():
        figure, [axes] = _narrow(0.95 + 0.62 * len(rows))
        for y, row in enumerate(rows):
            if row.others:
                wide = row.others.high - row.others.low
                box = Rectangle((row.others.low, y - 0.34), wide, 0.68, fc=BAND, ec=FAINT, lw=0.8)
                axes.add_patch(box)
                axes.plot([row.others.median] * 2, [y - 0.34, y + 0.34], color=INK, lw=2.4)
            heights = y + spread(len(row.own), 0.24)
            axes.plot(row.own, heights, "o", color=KEPT, ms=6.5, mec="white", mew=0.8, zorder=5)
        name_rows(axes, [w.winter(row.winter) for row in rows])
        if axes.get_xlim()[0] < 0 <= min(min(row.own) for row in rows):
            axes.set_xlim(left=-0.03 * axes.get_xlim()[1])
        axes.set_xlabel(label)
        _local_numbers(axes, w)
    return figure


def shares_figure(rows: list[ShareRow], label: str, w: Words) -> Figure:
    """Draw the member's share over the others', a row a winter."""
    with house_style():
        figure, [axes] = _narrow(0.95 + 0.8 * len(rows))
        for y, row in enumerate(rows):
            own = 100 * row.k / row.n
            axes.barh(y - 0.19, own, 0.34, color=KEPT)
            told = w("member.n_of", k=row.k, n=row.n)
            axes.text(
                1.5 if own > 25 else own + 1.5,
                y - 0.19,
                w("member.labelled", name=w("member.yours"), value=told),
                va="center",
                size=9.5,
                color="white" if own > 25 else INK,
            )
            if row.others is not None:
                others = 100 * row.others
                axes.barh(y + 0.19, others, 0.34, color=BAND, ec=FAINT, lw=0.8)
                share = w.quantity(others, "%")
                said = w("member.labelled", name=w("member.others"), value=share)
                axes.text(
                    1.5 if others > 25 else others + 1.5,
                    y + 0.19,
                    said,
                    va="center",
                    size=9.5,
                    color=INK,
                )
        name_rows(axes, [w.winter(row.winter) for row in rows])
        axes.set_xlim(0, 100)
        axes.set_xlabel(f"{label} [%]")
        _local_numbers(axes, w)
    return figure


def loggers_figure(lines: LoggerLines, label: str, w: Words) -> Figure:
    """Draw the member's daily means over the others' weekly middle half, a panel a place."""
    with house_style():
        heights = [2.3 + 0.22 * min(len(own) + 1, len(_LINES)) for own in lines.own.values()]
        figure, panels = _narrow(sum(heights), len(heights), heights)
        for axes, (position, own) in zip(panels, lines.own.items(), strict=True):
            weeks = lines.others[position]
            if not weeks.is_empty():
                low, high = weeks["low"].to_list(), weeks["high"].to_list()
                others = w("member.pool_axis")
                axes.fill_between(weeks["day"].to_list(), low, high, color=BAND, lw=0, label=others)
            is_named = len(own) <= len(_LINES)
            for k, (colony, line) in enumerate(own.items()):
                axes.plot(
                    line["day"].to_list(),
                    line["value"].to_list(),
                    lw=1.3,
                    color=_LINES[k] if is_named else KEPT,
                    ls=_DASHES[k] if is_named else "-",
                    label=plain(colony) if is_named else None,
                )
            axes.set_title(w.word(position))
            axes.set_ylabel(label)
            axes.grid(axis="y")
            axes.tick_params(axis="x", labelsize=8.5)
            axes.xaxis.set_major_locator(MonthLocator())
            axes.xaxis.set_major_formatter(
                FuncFormatter(lambda x, _: w.months_short[num2date(x).month - 1])
            )
            axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: _local(v, w)))
            if is_named:
                axes.legend(loc="upper left", bbox_to_anchor=(-0.02, -0.14), handlelength=2.6)
    return figure


def model_figure(panels: dict[str, list[dict]], w: Words) -> Figure:
    """Draw estimates with their intervals, one panel an outcome; keys are the panels' titles."""
    heights = [0.75 + 0.5 * len(rows) for rows in panels.values()]
    with house_style():
        figure, drawn = _narrow(sum(heights) + 0.2, len(panels), heights)
        for axes, (title, rows) in zip(drawn, panels.items(), strict=True):
            for y, row in enumerate(rows):
                colour = LEVEL_COLOURS.get(row["contrast"].partition(" vs ")[0], INK)
                draw_interval(axes, y, row, colour)
            axes.axvline(0, color=INK, lw=1)
            levels = [w.word(row["contrast"].partition(" vs ")[0]) for row in rows]
            name_rows(axes, levels)
            axes.set_title(title)
            _local_numbers(axes, w)
    return figure
