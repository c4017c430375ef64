"""A figure of described hives: a cut through wall and cover, with the temperature in them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from pipeline.errors import RenderError
from pipeline.hive_description import Air, Hive
from pipeline.hive_sheet import Section, cut_through
from pipeline.physics.moist_air import dew_point
from reports.figures import FAINT, INK, LEVEL_COLOURS, WIDTH_IN, house_style

FORMATS = (".svg", ".png", ".pdf")
SHOWN = {"left": "Wall (left)", "top": "Cover"}
HATCHES = ("", "////", "....", "xxxx", "++++", "oooo")
AIR_MM = 12.0  # drawn on both sides


def _draw_section(axes: Axes, section: Section, air: Air, widest_mm: float) -> None:
    """Draw layers to scale, the inside at the left, and the temperature through them."""
    if not np.isfinite(section.thickness_mm).all():
        axes.text(0.5, 0.5, "thickness not given", transform=axes.transAxes, ha="center")
        axes.set_axis_off()
        return
    edges = np.concatenate([[0.0], np.cumsum(section.thickness_mm)])
    low, high = sorted((air.outside_c, air.inside_c))
    listed = ["Depth from the inner face [mm]"]
    for k, name in enumerate(section.materials):
        axes.axvspan(
            edges[k], edges[k + 1], fc="#F2EBDD", ec=FAINT, hatch=HATCHES[k % len(HATCHES)], lw=0.8
        )
        listed.append(f"{k + 1}  {name}, {section.thickness_mm[k]:g} mm")
        axes.annotate(
            str(k + 1),
            ((edges[k] + edges[k + 1]) / 2, 0.94),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="center",
            fontsize=9,
            bbox={"boxstyle": "circle", "fc": "white", "ec": FAINT},
        )
    if np.isfinite(section.temperature_c).all():
        x = np.concatenate([[-AIR_MM], edges, [edges[-1] + AIR_MM]])
        t = np.concatenate([[air.inside_c], section.temperature_c, [air.outside_c]])
        axes.plot(x, t, color=LEVEL_COLOURS["full"], lw=2)
    else:
        axes.text(0.5, 0.45, "resistance not known", transform=axes.transAxes, ha="center")
    dew = float(dew_point(air.inside_c, air.humidity_pct))
    axes.axhline(dew, color=INK, lw=1, ls="--")
    axes.annotate(
        "dew point",
        (0.99, dew),
        xycoords=("axes fraction", "data"),
        ha="right",
        va="bottom",
        fontsize=9,
    )
    axes.set_xlim(-AIR_MM, widest_mm + AIR_MM)
    axes.set_ylim(low - 5, high + 6)
    axes.set_xlabel("\n".join(listed), loc="left")


def _draw_opening(axes: Axes, opening: str) -> None:
    """Mark the top opening in the cut through the cover: it leads past the layers, or is shut."""
    is_open = opening == "open"
    if is_open:
        ends, style = ((0.98, 0.07), (0.02, 0.07)), {"arrowstyle": "-|>", "color": INK, "lw": 1.4}
        axes.annotate("", *ends, xycoords="axes fraction", arrowprops=style)
    axes.text(
        0.5,
        0.07,
        "top opening: air leaves" if is_open else "top opening closed",
        transform=axes.transAxes,
        ha="center",
        va="center",
        fontsize=9,
        bbox={"boxstyle": "round,pad=0.2", "fc": "white", "ec": INK, "lw": 0.8},
    )


def hive_figure(hives: list[Hive], air: Air) -> Figure:
    """Draw a cut through the left wall and the cover of each hive.

    Parameters
    ----------
    hives : list of Hive
    air : Air
        The dashed line is the dew point of the hive air. A top opening, where told, is marked at
        the foot of the cover: it has no depth, and nothing is reckoned of it.
    """
    cuts = [[cut_through(hive, surface, air) for surface in SHOWN] for hive in hives]
    widest = max((np.nansum(cut.thickness_mm) for row in cuts for cut in row), default=0.0)
    most = max(len(cut.materials) for row in cuts for cut in row)
    with house_style():
        figure = Figure(
            figsize=(WIDTH_IN * 1.3, len(hives) * (2.3 + 0.25 * most)),
            layout=ConstrainedLayoutEngine(h_pad=0.1, w_pad=0.1),
        )
        panels = figure.subplots(len(hives), 2, squeeze=False, sharey=True)
        for hive, row, own in zip(hives, panels, cuts, strict=True):
            for axes, cut in zip(row, own, strict=True):
                _draw_section(axes, cut, air, float(widest))
                axes.set_title(f"{hive.name}: {SHOWN[cut.surface].lower()}")
            if hive.top_opening is not None:
                _draw_opening(row[-1], hive.top_opening)
            row[0].set_ylabel("Temperature [°C]")
    return figure


def save_hive_figure(hives: list[Hive], air: Air, path: Path) -> None:
    """Draw the hives to a file.

    Raises
    ------
    RenderError
        The file's name does not end as one of ``FORMATS``, or its folder does not exist.
    """
    if path.suffix.lower() not in FORMATS:
        raise RenderError(
            f"{path.name} is not a kind of figure that can be drawn.",
            mend=f"Let its name end in {', '.join(FORMATS)}.",
        )
    if not path.parent.is_dir():
        raise RenderError(f"There is no folder {path.parent}.", mend="Make it first.")
    with house_style():
        hive_figure(hives, air).savefig(path, dpi=200)
