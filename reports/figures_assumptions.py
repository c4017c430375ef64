"""The graph of assumptions: its figure, its arrows as a table, and what it asks to adjust for."""

from __future__ import annotations

import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch, FancyBboxPatch, Patch

from models.assumptions import (
    ABSENT,
    CONSEQUENCE,
    EXPOSURE,
    OPEN,
    Adjustment,
    Assumptions,
    Node,
    derive_adjustment,
    load_assumptions,
    parts_of,
)
from models.vocabulary import OUTCOMES
from reports.context import Pool
from reports.figures import INK, KEPT, LEFT, house_style, new_figure
from reports.wording import count, listed, sentence

_ROW_IN = 0.85
_HALF_HEIGHT = 0.22
_PRACTICE = " CP"
_STATES = {"causes": "assumed", OPEN: "assumed, stays open", ABSENT: "assumed absent"}


def _half_width(name: str) -> float:
    return 0.22 + 0.092 * max(len(line) for line in _lines(name))


def _lines(name: str) -> list[str]:
    """Break a long name in two at the space nearest to its middle."""
    if len(name) <= 11 or " " not in name:
        return [name]
    spaces = [i for i, letter in enumerate(name) if letter == " "]
    cut = min(spaces, key=lambda i: abs(i - len(name) / 2))
    return [name[:cut], name[cut + 1 :]]


def _style(node: Node, adjusted: frozenset[str]) -> dict:
    """Fill and border of a node's box: role by fill, unmeasured by a dashed border."""
    if node.role == EXPOSURE:
        return {"fc": KEPT, "ec": KEPT, "lw": 1.4}
    if node.role == CONSEQUENCE:
        return {"fc": "white", "ec": INK, "lw": 2.0 if node.outcome in OUTCOMES else 0.8}
    fill = "#CFE3F3" if node.name in adjusted else "white"
    edge = {"ls": (0, (4, 2))} if node.measured == "no" else {}
    return {"fc": fill, "ec": INK if edge else KEPT, "lw": 1.0, **edge}


def _draw_node(axes: Axes, node: Node, adjusted: frozenset[str]) -> FancyBboxPatch:
    (x, y), half = node.at, _half_width(node.name)
    box = FancyBboxPatch(
        (x - half, -y - _HALF_HEIGHT),
        2 * half,
        2 * _HALF_HEIGHT,
        boxstyle="round,pad=0,rounding_size=0.09",
        zorder=3,
        **_style(node, adjusted),
    )
    axes.add_patch(box)
    colour = "white" if node.role == EXPOSURE else INK
    axes.text(
        x,
        -y,
        "\n".join(_lines(node.name)),
        ha="center",
        va="center",
        size=8.2,
        color=colour,
        zorder=4,
        linespacing=0.95,
        weight="bold" if node.role == EXPOSURE or node.outcome in OUTCOMES else "normal",
    )
    return box


def _arrow_style(assumptions: Assumptions, start: str, end: str, *, is_open: bool) -> dict:
    if is_open:
        return {"color": LEFT, "lw": 1.6, "ls": (0, (3, 2)), "zorder": 2.5}
    if assumptions.nodes[start].role in (EXPOSURE, CONSEQUENCE):
        return {"color": KEPT, "lw": 1.3, "zorder": 2}
    into = assumptions.nodes[end].role == EXPOSURE
    return {"color": "#7A7A7A" if into else "#C9C9C9", "lw": 0.7, "zorder": 1.5 if into else 1}


def assumptions_figure() -> Figure:
    """Draw what is assumed to cause what, causes above, set-up in the middle, outcomes below."""
    assumptions = load_assumptions()
    adjusted = frozenset().union(*(derive_adjustment(assumptions, o).adjusted for o in OUTCOMES))
    rows = max(node.at[1] for node in assumptions.nodes.values())
    with house_style():
        figure, [axes] = new_figure(_ROW_IN * (rows + 1) + 1.15)
        axes.set(xlim=(-0.2, 10.4), ylim=(-rows - 0.45, 0.4))
        axes.axis("off")
        boxes = {n: _draw_node(axes, node, adjusted) for n, node in assumptions.nodes.items()}
        for arrow in assumptions.arrows:
            if arrow.state == ABSENT:
                continue
            start, end = assumptions.nodes[arrow.start], assumptions.nodes[arrow.end]
            bend = 0.22 if start.at[1] == end.at[1] else 0.05
            axes.add_patch(
                FancyArrowPatch(
                    (start.at[0], -start.at[1]),
                    (end.at[0], -end.at[1]),
                    patchA=boxes[arrow.start],
                    patchB=boxes[arrow.end],
                    arrowstyle="-|>",
                    mutation_scale=7,
                    shrinkA=0,
                    shrinkB=1,
                    connectionstyle=f"arc3,rad={bend}",
                    **_arrow_style(
                        assumptions, arrow.start, arrow.end, is_open=arrow.state == OPEN
                    ),
                )
            )
        figure.legend(handles=_key(), loc="outside lower left", ncols=2, fontsize=8.5)
    return figure


def _key() -> list[Patch | Line2D]:
    dashed = (0, (4, 2))
    return [
        Patch(fc=KEPT, ec=KEPT, label="set-up: what is compared"),
        Patch(fc="#CFE3F3", ec=KEPT, label="cause, adjusted for"),
        Patch(fc="white", ec=KEPT, label="cause that acts through another"),
        Patch(fc="white", ec=INK, ls=dashed, label="dashed: not measured"),
        Patch(fc="white", ec=INK, label="changed by the set-up: never adjusted"),
        Line2D([], [], color=KEPT, lw=1.3, label="what the set-up does"),
        Line2D([], [], color="#9A9A9A", lw=0.9, label="other causes"),
        Line2D([], [], color=LEFT, lw=1.6, ls=(0, (3, 2)), label="stays open"),
    ]


def assumptions_alt() -> str:
    """Say the graph in words."""
    assumptions = load_assumptions()
    derived = [derive_adjustment(assumptions, outcome) for outcome in OUTCOMES]
    everywhere = frozenset.intersection(*(d.adjusted for d in derived))
    opened = [f"{a.start} to {a.end}" for a in assumptions.arrows if a.state == OPEN]
    drawn = sum(a.state != ABSENT for a in assumptions.arrows)
    return (
        f"Graph of {count(len(assumptions.nodes), 'node')} and {count(drawn, 'arrow')}. Compared: "
        f"{listed(sorted(assumptions.of_role(EXPOSURE)))}. Adjusted for in every outcome: "
        f"{listed(sorted(everywhere))}. Changed by the set-up and never adjusted for: "
        f"{listed(sorted(assumptions.of_role(CONSEQUENCE)))}. Arrows that stay open: "
        f"{listed(opened)}."
    )


def arrow_table() -> pl.DataFrame:
    """List every arrow with its reason: from, to, because, source, state.

    Returns
    -------
    polars.DataFrame
        ``source`` is ``common practice, no source`` where the source file says so.
    """
    rows = [
        {
            "from": arrow.start,
            "to": arrow.end,
            "because": arrow.because.removesuffix(_PRACTICE),
            "source": "common practice, no source" if arrow.because.endswith(_PRACTICE) else "",
            "state": _STATES[arrow.state],
        }
        for arrow in load_assumptions().arrows
    ]
    return pl.DataFrame(rows, schema=dict.fromkeys(rows[0], pl.String))


def _how(node: Node) -> str:
    return listed(list(node.parts)) if node.parts else node.rule


def adjustment_table(parts: pl.DataFrame) -> pl.DataFrame:
    """List what the graph asks to adjust for and whether this fit did.

    Parameters
    ----------
    parts : polars.DataFrame
        ``results/parts.csv``; empty before a fit.

    Returns
    -------
    polars.DataFrame
        One row a node: node, needed (``closes a path`` or ``sharpens``), outcomes, how, in_fit
        (``yes``, or why not).
    """
    assumptions = load_assumptions()
    derived = {outcome: derive_adjustment(assumptions, outcome) for outcome in OUTCOMES}
    fitted = {p["part"]: p for p in parts.to_dicts()}
    rows = []
    for name, node in assumptions.nodes.items():
        asked = [o for o, d in derived.items() if name in d.adjusted | d.shared]
        if not asked:
            continue
        is_needed = any(name in d.needed for d in derived.values())
        is_shared = any(name in d.shared for d in derived.values())
        missing = [
            fitted[p]["reason"] for p in node.parts if p in fitted and not fitted[p]["is_included"]
        ]
        rows.append(
            {
                "node": name,
                "needed": "stays open in part; effects share it out"
                if is_shared
                else "closes a path"
                if is_needed
                else "sharpens",
                "outcomes": "all" if len(asked) == len(OUTCOMES) else listed(asked),
                "how": _how(node),
                "in_fit": sentence("; ".join(missing)).removesuffix(".")
                if missing
                else "yes"
                if fitted or node.rule
                else "not fitted",
            }
        )
    return pl.DataFrame(rows, schema=dict.fromkeys(rows[0], pl.String))


def open_path_sentences() -> list[str]:
    """Say what no adjustment here can close, one sentence a cause."""
    assumptions = load_assumptions()
    derived = [derive_adjustment(assumptions, outcome) for outcome in OUTCOMES]
    said = []
    level = "insulation level"
    for arrow in assumptions.arrows:
        if arrow.state == OPEN and arrow.end == level:
            ways = {p for d in derived for p in d.open_paths if p[:2] == (level, arrow.start)}
            shortest = sorted(ways, key=lambda p: (len(p), p))
            shown = listed([" – ".join(path) for path in shortest])
            said.append(f"{sentence(arrow.start)[:-1]}: {arrow.because} Open: {shown}.")
    return said


def adjusted_sentence(pool: Pool) -> str:
    """Say whether this fit adjusts for all that the graph needs."""
    if pool.parts.is_empty():
        return "The model has not been fitted."
    assumptions = load_assumptions()
    derived: list[Adjustment] = [derive_adjustment(assumptions, o) for o in OUTCOMES]
    needed = frozenset().union(*(d.needed for d in derived))
    left_out = set(pool.parts.filter(~pl.col("is_included"))["part"].to_list())
    gone = [n for n in sorted(needed) if parts_of(assumptions, frozenset([n])) & left_out]
    if not gone:
        return "This fit adjusts for every cause that the graph needs held still."
    return (
        f"The records do not let this fit adjust fully for {listed(gone)}: see the table for why, "
        "and read the answer with that in mind."
    )
