"""How every figure looks, and how it gets into a document with its size and alt text.

Figures are narrow and stacked, so that they stay readable on a phone, and their colours
(Okabe and Ito's palette) can be told apart by colour-blind readers; no meaning rests on
colour alone.
"""

from __future__ import annotations

import html
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

WIDTH_IN = 5.4
"""Width of every figure [in]; shown at 100 CSS pixels an inch, drawn at twice that."""

LEVEL_COLOURS = {
    "none": "#5A5A5A",
    "top": "#D55E00",
    "partial": "#009E73",
    "full": "#0072B2",
    "full closed": "#CC79A7",
    "not recorded": "#9A9A9A",
}
INK = "#222222"
FAINT = "#8A8A8A"
KEPT, LEFT = "#0072B2", "#D55E00"

_STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 11.0,
    "axes.titlesize": 11.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 10.5,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 10.0,
    "ytick.labelsize": 10.5,
    "axes.axisbelow": True,
    "grid.color": "#DDDDDD",
    "legend.frameon": False,
    "legend.fontsize": 10.0,
    "figure.dpi": 100.0,
    "text.parse_math": False,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the report's style inside the block, whatever the reader's own settings."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def new_figure(
    height_in: float, rows: int = 1, height_ratios: list[float] | None = None
) -> tuple[Figure, list[Axes]]:
    """Make a figure of the report's width with ``rows`` panels, one above the other."""
    figure = Figure(figsize=(WIDTH_IN, height_in), layout=ConstrainedLayoutEngine(h_pad=0.08))
    axes = figure.subplots(rows, 1, squeeze=False, height_ratios=height_ratios)
    return figure, list(axes[:, 0])


def draw_interval(axes: Axes, y: float, row: dict, colour: str) -> None:
    """Draw a mean with its 50 % (thick) and 95 % (thin) interval at height ``y``."""
    axes.plot([row["q2.5"], row["q97.5"]], [y, y], color=colour, lw=1.6, solid_capstyle="butt")
    axes.plot([row["q25"], row["q75"]], [y, y], color=colour, lw=5, solid_capstyle="butt")
    axes.plot(row["mean"], y, "o", color=colour, ms=6, mec="white", mew=1.0, zorder=5)


def draw_median(axes: Axes, y: float, values: pl.Series) -> None:
    """Draw a bar at the median of values, at height ``y``; nothing when there are none."""
    if len(values):
        median = float(np.median(values.to_numpy()))
        axes.plot([median, median], [y - 0.34, y + 0.34], color=INK, lw=2)


def name_rows(axes: Axes, names: list[str]) -> None:
    """Name the rows of a panel from top to bottom."""
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x")


def mark_empty(axes: Axes, why: str) -> None:
    """Say why a panel shows nothing, when nothing was drawn into it."""
    if any(len(line.get_xdata()) for line in axes.lines):  # type: ignore[arg-type]
        return
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    axes.text(0.5, 0.5, why, transform=axes.transAxes, ha="center", va="center", color=FAINT)


def spread(n: int, half_width: float) -> np.ndarray:
    """Offsets in [-half_width, half_width] that keep points apart, the same every time."""
    golden = 0.6180339887498949
    return (np.mod(np.arange(n) * golden, 1.0) * 2 - 1) * half_width


def figure_markdown(figure: Figure, name: str, alt: str, *, invented: str = "") -> str:
    """Save a figure beside the document and write the Markdown that shows it.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        What to show.
    name : str
        Name of the file, without its ending.
    alt : str
        What the figure says, for those who cannot see it.
    invented : str
        Written into the figure's corner when its data are made up.

    Returns
    -------
    str
        An image with ``fig-alt``, ``width`` and ``height`` in CSS pixels.
    """
    if invented:
        figure.supxlabel(invented.lower(), x=0.995, ha="right", size=8, color=LEFT)
    path = Path("figures") / f"{name}.png"
    path.parent.mkdir(exist_ok=True)
    figure.savefig(path, dpi=200, metadata={"Software": None})
    width, height = (round(inches * 100) for inches in figure.get_size_inches())
    said = f"{invented}: {alt}" if invented else alt
    safe = html.escape(" ".join(said.split()), quote=False).replace("\\", " ").replace('"', "'")
    return f'![]({path.as_posix()}){{fig-alt="{safe}" width={width} height={height}}}'
