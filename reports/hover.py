"""Values told where a reader points at a figure, or reaches with Tab; without a script.

The picture itself stays an image with alt text: that is what prints, what a page without styles
shows, and what formats other than HTML get. Over it lies a transparent SVG of the same shape whose
marks each carry a ``<title>``, which browsers show as a tooltip, and the same words in a line that
the page's style sheet shows while the mark is pointed at, tapped or focused. Both ways of rendering
pass raw HTML through as it is, so that the page needs nothing else.
"""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reports.context import Pool
from reports.figures import figure_markdown
from reports.wording import one_line

LINE_LENGTH = 56
"""Characters of a line below the figure: large enough to read on a phone."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A stretch of a panel that tells something.

    Attributes
    ----------
    axes : matplotlib.axes.Axes
    words : str
        Plain text, one short line.
    x, y : (float, float) or None
        From and to, in the panel's data; None is the panel's whole width or height.
    down_to : matplotlib.axes.Axes or None
        The mark goes from this panel's top to the bottom of that one.
    """

    axes: Axes
    words: str
    x: tuple[float, float] | None = None
    y: tuple[float, float] | None = None
    down_to: Axes | None = None


def _box(figure: Figure, mark: Mark) -> tuple[float, float, float, float]:
    """Left, top, width and height of a mark in CSS pixels of the figure."""
    (left, right), (low, high) = mark.x or mark.axes.get_xlim(), mark.y or mark.axes.get_ylim()
    corners = mark.axes.transData.transform([(left, low), (right, high)])
    (x0, y0), (x1, y1) = figure.transFigure.inverted().transform(corners)
    if mark.down_to is not None:
        y0, y1 = mark.down_to.get_position().y0, mark.axes.get_position().y1
    width, height = 100 * figure.get_size_inches()
    top = 1 - max(y0, y1)
    return min(x0, x1) * width, top * height, abs(x1 - x0) * width, abs(y1 - y0) * height


def _safe(text: str) -> str:
    return html.escape(one_line(text), quote=True).replace("{", "&#123;")


def readout(words: str) -> list[str]:
    """Break a mark's words into lines that are as wide as the figure at most."""
    return textwrap.wrap(one_line(words), LINE_LENGTH)


def overlay(figure: Figure, marks: Sequence[Mark], label: str) -> str:
    """Write the SVG that lies over a drawn figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        As it was saved: where its panels stand is known only then.
    marks : sequence of Mark
        In the order in which Tab reaches them.
    label : str
        Says what the marks are.

    Returns
    -------
    str
        One line of HTML.
    """
    width, height = (round(100 * inches) for inches in figure.get_size_inches())
    parts = []
    for mark in marks:
        x, y, w, h = _box(figure, mark)
        words = _safe(mark.words)
        lines = "".join(
            f'<tspan x="{width / 2:.0f}" dy="1.2em">{_safe(line)}</tspan>'
            for line in readout(mark.words)
        )
        parts.append(
            f'<g tabindex="0" role="img" aria-label="{words}"><title>{words}</title>'
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{h:.1f}"/>'
            f'<text y="{height}" text-anchor="middle">{lines}</text></g>'
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="group" '
        f'aria-label="{_safe(label)}">{"".join(parts)}</svg>'
    )


def show_hover_figure(
    pool: Pool, label: str, caption: str, figure: Figure, alt: str, marks: Sequence[Mark]
) -> None:
    """Print a figure that ``@fig-label`` can point to, with what its marks tell.

    Parameters
    ----------
    pool : Pool
    label, caption, figure, alt
        As of ``blocks.show_figure``.
    marks : sequence of Mark
    """
    image = figure_markdown(figure, label, alt, invented=pool.invented)
    over = overlay(figure, marks, f"{len(marks)} values of the figure")
    hint = "Point at the figure, tap it or walk through it with Tab for its values."
    past = f'<a class="skip" href="#past-{label}">Skip the values of this figure</a>'
    room = 0.3 + 1.3 * max((len(readout(mark.words)) for mark in marks), default=0)
    print(
        f"\n::: {{#fig-{label}}}\n\n"
        f'::: {{.hover style="padding-bottom: {room:.1f}rem"}}\n'
        f"\n```{{=html}}\n{past}\n```\n\n{image}\n\n"
        f'```{{=html}}\n{over}\n<span id="past-{label}"></span>\n```\n\n:::\n\n{caption} {hint}\n\n'
        ":::\n"
    )
