"""What is assumed to cause what, and which causes the answer must therefore adjust for.

``assumptions.toml`` is the one source. The adjustment set follows from the graph: all
direct causes of the outcome and of everything between set-up and outcome that the set-up itself
does not change (the "optimal" set of Henckel, Perković and Maathuis, which is also the sharpest).
NetworkX then proves by d-separation that this set closes every back-door path, and finds which
members of it are needed for that; the others only sharpen the answer.

An unmeasured cause counts as adjusted where it belongs to a group that the model compares
within: its parts are the group's effects and the group's shares of each level (winters are few and
large, so that their effects alone do). Effects without shares close nothing: they are apart.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import networkx as nx

from pipeline.errors import ModelError

SOURCE = "assumptions.toml"
EXPOSURE, CAUSE, CONSEQUENCE = ROLES = ("exposure", "cause", "consequence")
CLOSED, OPEN, ABSENT = STATES = ("causes", "open", "absent")
MEASURED = ("yes", "counts", "no")


@dataclass(frozen=True, slots=True)
class Node:
    """One thing of the graph; the fields are those of the source."""

    name: str
    role: str
    measured: str
    at: tuple[float, float]
    parts: tuple[str, ...] = ()
    closes: bool = True
    rule: str = ""
    outcome: str = ""

    @property
    def is_adjustable(self) -> bool:
        """Whether the model can hold it still: by a part of it, or by whom it leaves out."""
        return self.role == CAUSE and self.closes and bool(self.parts or self.rule)


@dataclass(frozen=True, slots=True)
class Arrow:
    """One arrow; ``state`` is ``causes``, ``open`` or ``absent`` (left out on purpose)."""

    start: str
    end: str
    because: str
    state: str


@dataclass(frozen=True, slots=True)
class Adjustment:
    """What the graph says of one outcome.

    Attributes
    ----------
    outcome : str
    adjusted : frozenset of str
        Nodes to adjust for: they close every path that can be closed, and sharpen.
    needed : frozenset of str
        Those of them without which a back-door path would stand open.
    shared : frozenset of str
        Direct causes that the model knows only as effects of groups: they sharpen the answer and
        make its interval honest, and close nothing.
    open_paths : tuple of tuple of str
        The shortest back-door path through each arrow that nothing here closes, from exposure
        to outcome.
    """

    outcome: str
    adjusted: frozenset[str]
    needed: frozenset[str]
    shared: frozenset[str]
    open_paths: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Assumptions:
    """The whole source."""

    nodes: dict[str, Node]
    arrows: tuple[Arrow, ...]

    def graph(self, *, is_open_drawn: bool = False) -> nx.DiGraph:
        """Return the arrows as a graph; those that stay open only when asked for."""
        graph = nx.DiGraph()
        graph.add_nodes_from(self.nodes)
        states = (CLOSED, OPEN) if is_open_drawn else (CLOSED,)
        graph.add_edges_from((a.start, a.end) for a in self.arrows if a.state in states)
        return graph

    def of_role(self, role: str) -> set[str]:
        """Names of the nodes with a role."""
        return {name for name, node in self.nodes.items() if node.role == role}

    def outcome_node(self, outcome: str) -> str:
        """Name of the node that is one of the study's outcomes."""
        return next(name for name, node in self.nodes.items() if node.outcome == outcome)


def _wrong(where: str, what: str, mend: str) -> ModelError:
    return ModelError(f"{SOURCE}, {where}: {what}.", mend=mend)


def parse_assumptions(text: str) -> Assumptions:
    """Read the graph of assumptions.

    Parameters
    ----------
    text : str
        TOML as ``assumptions.toml`` describes itself.

    Returns
    -------
    Assumptions

    Raises
    ------
    ModelError
        The text is no TOML, an arrow names an unknown node or has no reason, or arrows run in a
        circle; or a consequence has parts that adjust for it, or a cause is changed by the set-up.
    """
    try:
        source = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _wrong("as a whole", f"not valid TOML ({error})", "Mend that line.") from error
    nodes = {}
    for name, given in source.get("nodes", {}).items():
        role, measured = given.get("role"), given.get("measured")
        if role not in ROLES or measured not in MEASURED or len(given.get("at", ())) != 2:
            raise _wrong(
                f"node {name!r}",
                "role, measured or at is missing or unknown",
                f"Give role ({', '.join(ROLES)}), measured ({', '.join(MEASURED)}) and at.",
            )
        parts = tuple(given.get("parts", ()))
        if role == CONSEQUENCE and parts:
            raise _wrong(
                f"node {name!r}",
                "a consequence of the set-up has parts that adjust for it",
                "Take the parts away: what insulation changes is never adjusted for.",
            )
        x, y = given["at"]
        where = (float(x), float(y))
        nodes[name] = Node(
            name,
            role,
            measured,
            where,
            parts,
            bool(given.get("closes", True)),
            str(given.get("rule", "")),
            str(given.get("outcome", "")),
        )
    arrows = []
    for state in STATES:
        for start, ends in source.get(state, {}).items():
            for end, because in ends.items():
                unknown = [name for name in (start, end) if name not in nodes]
                if unknown or not str(because).strip():
                    what = f"{unknown[0]!r} is no node" if unknown else "the reason is missing"
                    mend = "Name nodes as under [nodes] and give a reason for every arrow."
                    raise _wrong(f"[{state}] {start} to {end}", what, mend)
                arrows.append(Arrow(start, end, str(because), state))
    assumptions = Assumptions(nodes, tuple(arrows))
    _check_graph(assumptions)
    return assumptions


def _check_graph(assumptions: Assumptions) -> None:
    graph = assumptions.graph(is_open_drawn=True)
    if not nx.is_directed_acyclic_graph(graph):
        circle = " to ".join(start for start, _ in nx.find_cycle(graph))
        raise _wrong("the arrows", f"they run in a circle: {circle}", "Take one of them away.")
    after: set[str] = set()
    for exposure in assumptions.of_role(EXPOSURE):
        after |= nx.descendants(graph, exposure)
    changed = sorted(after & assumptions.of_role(CAUSE))
    if changed:
        raise _wrong(
            f"node {changed[0]!r}",
            "it is called a cause, yet the set-up changes it",
            "Call it a consequence, or take the arrow away.",
        )


@cache
def load_assumptions() -> Assumptions:
    """Read the graph that comes with the package."""
    return parse_assumptions(files("models").joinpath(SOURCE).read_text(encoding="utf-8"))


def _back_door_graph(graph: nx.DiGraph, exposures: set[str]) -> nx.DiGraph:
    """Take the arrows out of the exposures away: what is left is no effect of theirs."""
    back = graph.copy()
    back.remove_edges_from(list(graph.out_edges(exposures)))
    return back


def _open_path(
    assumptions: Assumptions, arrow: Arrow, outcome: str, adjusted: frozenset[str]
) -> tuple[str, ...] | None:
    """Shortest way by which exposure and outcome hang together through one open arrow.

    It runs in the moral graph of the ancestors, where causes of one adjusted node are neighbours:
    holding that node still makes them tell of each other.
    """
    exposures = assumptions.of_role(EXPOSURE)
    back = _back_door_graph(assumptions.graph(), exposures)
    back.add_edge(arrow.start, arrow.end)
    if nx.is_d_separator(back, exposures, {outcome}, set(adjusted)):
        return None
    ends = exposures | {outcome} | adjusted
    older = back.subgraph(ends.union(*(nx.ancestors(back, end) for end in ends)))
    neighbours = nx.moral_graph(older)
    neighbours.remove_nodes_from(adjusted | (exposures - {arrow.end}))
    return tuple(nx.shortest_path(neighbours, arrow.end, outcome))


def derive_adjustment(assumptions: Assumptions, outcome: str) -> Adjustment:
    """Derive what to adjust for, so that set-up and outcome share no cause.

    Parameters
    ----------
    assumptions : Assumptions
    outcome : str
        One of the study's outcomes (the ``outcome`` of a node). The total effect of level and
        top opening together is meant, each with the other held.

    Returns
    -------
    Adjustment

    Raises
    ------
    ModelError
        No adjustable set closes the paths that are not declared open.

    References
    ----------
    Henckel, Perković, Maathuis (2022), "Graphical criteria for efficient total effect estimation
    via adjustment in causal linear models", J. R. Stat. Soc. B 84:579-599, for the set (from
    memory). Pearl (2009), "Causality", 2nd ed., section 3.3, for the back-door criterion. van der
    Zander, Liśkiewicz (2020), "Finding minimal d-separators in linear time", UAI 2019, for the
    search in NetworkX.
    """
    graph, target = assumptions.graph(), assumptions.outcome_node(outcome)
    exposures = assumptions.of_role(EXPOSURE)
    after = set().union(*(nx.descendants(graph, exposure) for exposure in exposures))
    between = (after & nx.ancestors(graph, target)) | {target}
    direct = set().union(*(graph.predecessors(node) for node in between))
    direct = direct - after - exposures
    adjustable = {name for name, node in assumptions.nodes.items() if node.is_adjustable}

    back = _back_door_graph(graph, exposures)
    sharpest = direct & adjustable
    whole = nx.find_minimal_d_separator(
        back, exposures, {target}, included=sharpest, restricted=adjustable
    )
    if whole is None or not nx.is_d_separator(back, exposures, {target}, whole):
        raise _wrong(
            f"outcome {outcome!r}",
            "a back-door path stays open that is not declared open",
            "Add a part that adjusts for its cause, or move the arrow under [open].",
        )
    adjusted = frozenset(whole)
    needed = nx.find_minimal_d_separator(back, exposures, {target}, restricted=adjusted)
    shared = frozenset(n for n in direct - adjusted if assumptions.nodes[n].parts)
    ways = [
        _open_path(assumptions, arrow, target, adjusted)
        for arrow in assumptions.arrows
        if arrow.state == OPEN
    ]
    return Adjustment(outcome, adjusted, frozenset(needed), shared, tuple(w for w in ways if w))


def parts_of(assumptions: Assumptions, names: frozenset[str]) -> frozenset[str]:
    """Parts of the model (as in ``parts.csv``) that stand for some nodes."""
    return frozenset(part for name in names for part in assumptions.nodes[name].parts)
