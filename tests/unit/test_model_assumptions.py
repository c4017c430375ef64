"""The graph of assumptions, the set derived from it, and whether the model adjusts for that set."""

from __future__ import annotations

from itertools import combinations

import networkx as nx
import numpy as np
import polars as pl
import pytest

from models.assumptions import (
    ABSENT,
    CONSEQUENCE,
    EXPOSURE,
    OPEN,
    derive_adjustment,
    load_assumptions,
    parse_assumptions,
    parts_of,
)
from models.data import pack_pool
from models.predictor import base_terms, layout_of
from models.simulate import Scenario, simulate_pool
from models.simulate_mites import Treatment
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.errors import ModelError
from pipeline.settings import Settings

SECONDARY = ("brood onset", "condensation risk")
# Terms of the model that carry or vary the exposures' own effect, and its level: no adjustment.
EXPOSURE_TERMS = {
    "intercept",
    "step to",
    "top opening",
    "top opening at",
    "cold at",
    "level-winter",
    "full at apiary",
}
# Every other term of the model, and the part of parts.csv that it belongs to.
ADJUSTING_TERMS = {
    "member share": "member shares of levels",
    "apiary share": "apiary shares of levels",
    "member": "member effects",
    "apiary": "apiary effects",
    "apiary-winter": "apiary-winter effects",
    "colony": "colony effects",
    "winters": "winter effects",
}


@pytest.fixture(scope="module")
def assumptions():
    return load_assumptions()


@pytest.fixture(scope="module")
def pool():
    """A pool whose records carry every part of the model; one colony was lost to a flood."""
    given = (Treatment("formic acid", 1.0), Treatment("thymol", 0.6))
    made = simulate_pool(
        Scenario(n_members=8, colonies_per_apiary=4, n_winters=3, treatments=given), 4
    )
    is_lost = pl.int_range(pl.len()) == 0
    units = made.colony_winters.with_columns(
        is_disaster=is_lost, is_alive=pl.when(~is_lost).then("is_alive")
    )
    packed = pack_pool(units, made.mite_samples, Settings())
    assert all(part.is_included for part in packed.parts.values()), packed.parts
    return packed


def parts_adjusting(pool, outcome: str) -> set[str]:
    """Parts of the model that one outcome's predictor adjusts for."""
    layout = layout_of(pool)
    terms = base_terms(pool, layout, outcome)
    weighted = set(terms.pick[terms.weight != 0].tolist())
    weighted |= set(np.flatnonzero(terms.fixed.any(axis=0)).tolist())
    is_used = (terms.latent_mean != 0).any(axis=0) | (terms.latent_sd != 0).any(axis=0)
    weighted |= set(np.flatnonzero((terms.slope * is_used).any(axis=1)).tolist())
    found = set()
    for at, (name, _, of) in enumerate(layout.coefficients):
        if name in EXPOSURE_TERMS:
            continue
        part = of if name == "slope of" else ADJUSTING_TERMS[name]
        if at in weighted:
            found.add(part)
    for grouping in layout.groupings:
        if grouping not in EXPOSURE_TERMS:
            where = layout.groups(grouping)
            assert weighted & set(range(where.start, where.stop))
            found.add(ADJUSTING_TERMS[grouping])
    if layout.winters:
        found.add(ADJUSTING_TERMS["winters"])
    return found


def of_model(pool, outcome: str) -> set[str]:
    """Spring strength counts a dead colony as zero and so rests on survival's part as well."""
    parts = parts_adjusting(pool, outcome)
    return parts | parts_adjusting(pool, SURVIVAL) if outcome == STRENGTH else parts


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_the_model_adjusts_for_exactly_the_derived_set(assumptions, pool, outcome):
    derived = derive_adjustment(assumptions, outcome)
    expected = parts_of(assumptions, derived.adjusted | derived.shared)
    assert of_model(pool, outcome) == expected


def test_every_covariate_of_the_model_is_a_node_that_the_set_up_does_not_change(assumptions, pool):
    graph = assumptions.graph(is_open_drawn=True)
    changed = set().union(*(nx.descendants(graph, x) for x in assumptions.of_role(EXPOSURE)))
    node_of = {part: name for name, node in assumptions.nodes.items() for part in node.parts}
    names = [c.name for c in (*pool.covariates, pool.autumn_stores)] + ["mites"]
    assert len(names) == 7
    for name in names:
        assert node_of[name] not in changed
    assert changed == assumptions.of_role(CONSEQUENCE)
    for never in ("in-hive temperature", "spring feed", "stores use"):  # design, section 6
        assert never in changed


@pytest.mark.parametrize("outcome", [*OUTCOMES, *SECONDARY])
def test_the_derived_set_meets_the_back_door_criterion(assumptions, outcome):
    """Checked by walking every path, apart from the library's d-separation.

    Pearl (2009), Causality, definition 3.3.1: no member is a descendant of an exposure, and the
    set blocks every path into the exposures.
    """
    graph = assumptions.graph()
    derived = derive_adjustment(assumptions, outcome)
    target = assumptions.outcome_node(outcome)
    exposures = assumptions.of_role(EXPOSURE)
    for exposure in exposures:
        assert not derived.adjusted & nx.descendants(graph, exposure)
    back = graph.copy()
    back.remove_edges_from(list(graph.out_edges(exposures)))
    assert not connected(back, exposures, target, derived.adjusted)
    for name in derived.needed:
        assert connected(back, exposures, target, derived.needed - {name}), name


def connected(graph: nx.DiGraph, starts: set, end: str, given: frozenset) -> bool:
    """Whether an active trail joins ``starts`` and ``end``: a search over (node, direction).

    Koller, Friedman (2009), Probabilistic Graphical Models, algorithm 3.1 (from memory).
    """
    older = set(given).union(*(nx.ancestors(graph, g) for g in given))
    ahead, seen = [(s, "up") for s in starts], set()
    while ahead:
        node, way = ahead.pop()
        if (node, way) in seen:
            continue
        seen.add((node, way))
        if node == end:
            return True
        if way == "up" and node not in given:
            ahead += [(p, "up") for p in graph.predecessors(node)]
            ahead += [(c, "down") for c in graph.successors(node)]
        if way == "down":
            if node not in given:
                ahead += [(c, "down") for c in graph.successors(node)]
            if node in older:
                ahead += [(p, "up") for p in graph.predecessors(node)]
    return False


def test_autumn_stores_and_disasters_speak_to_survival_and_not_to_stores_use(assumptions):
    survival, stores = (derive_adjustment(assumptions, o) for o in (SURVIVAL, STORES))
    assert survival.adjusted - stores.adjusted == {"autumn stores", "disaster"}
    assert not stores.adjusted - survival.adjusted


def test_losses_to_disaster_are_left_out_of_survival_as_the_rule_says(assumptions, pool):
    assert assumptions.nodes["disaster"].rule
    assert "disaster" in derive_adjustment(assumptions, SURVIVAL).adjusted
    assert len(pool.observed[SURVIVAL].rows) < pool.n_units
    assert 0 not in pool.observed[SURVIVAL].rows


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_selection_on_vigour_within_a_member_is_said_to_stay_open(assumptions, outcome):
    target = assumptions.outcome_node(outcome)
    paths = derive_adjustment(assumptions, outcome).open_paths
    assert ("insulation level", "vigour", target) in paths
    assert ("insulation level", "year of the yard", target) in paths


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_no_adjustable_set_would_close_the_open_arrows(assumptions, outcome):
    exposures = assumptions.of_role(EXPOSURE)
    back = assumptions.graph(is_open_drawn=True)
    back.remove_edges_from(list(back.out_edges(exposures)))
    all_of_them = {n for n, node in assumptions.nodes.items() if node.is_adjustable}
    found = nx.find_minimal_d_separator(
        back, exposures, {assumptions.outcome_node(outcome)}, restricted=all_of_them
    )
    assert found is None


def test_parts_named_in_the_source_are_parts_of_the_model(assumptions, pool):
    named = [part for node in assumptions.nodes.values() for part in node.parts]
    assert len(named) == len(set(named))
    assert set(named) <= set(pool.parts)


def test_every_arrow_has_one_reason_and_one_state(assumptions):
    pairs = [(a.start, a.end) for a in assumptions.arrows]
    assert len(pairs) == len(set(pairs))
    assert all(len(arrow.because) > 8 for arrow in assumptions.arrows)
    assert {a.state for a in assumptions.arrows} == {"causes", OPEN, ABSENT}


def test_nodes_of_the_figure_do_not_lie_on_each_other(assumptions):
    for one, other in combinations(assumptions.nodes.values(), 2):
        (x, y), (u, v) = one.at, other.at
        assert abs(y - v) > 0.6 or abs(x - u) > 2.0, (one.name, other.name)


# ------------------------------------------------------------ textbook graphs and wrong sources


def source(*arrows: str, kinds: dict[str, str]) -> str:
    """TOML of a small graph: ``a>b`` arrows, ``a~b`` open ones."""
    text = ""
    for arrow in arrows:
        state, mark = ("open", "~") if "~" in arrow else ("causes", ">")
        start, end = arrow.split(mark)
        text += f'{state}."{start}"."{end}" = "as the textbook draws it"\n'
    for name, kind in kinds.items():
        role = {"x": "exposure", "y": "consequence", "m": "consequence"}.get(kind, "cause")
        more = 'measured = "no"' if kind == "u" else 'measured = "yes"'
        more += f'\nparts = ["{name}"]' if kind == "z" else ""
        more += '\noutcome = "y"' if kind == "y" else ""
        text += f'[nodes."{name}"]\nrole = "{role}"\nat = [0, 0]\n{more}\n'
    return text


KINDS = {"x": "x", "y": "y"}


def derive(*arrows: str, **more: str):
    return derive_adjustment(parse_assumptions(source(*arrows, kinds=KINDS | more)), "y")


def test_a_common_cause_is_adjusted_for():
    assert derive("z>x", "z>y", z="z").adjusted == {"z"}


def test_a_mediator_is_not_but_its_causes_are():
    found = derive("x>m", "m>y", "c>m", m="m", c="z")
    assert found.adjusted == {"c"}
    assert found.needed == frozenset()  # it only sharpens


def test_the_m_graph_needs_nothing():
    """Pearl (2009), figure 11.5 ("M-bias"): adjusting for the collider would open a path."""
    found = derive("a>x", "a>c", "b>c", "b>y", a="u", b="u", c="z")
    assert found.adjusted == frozenset()


def test_an_unmeasured_cause_is_closed_through_the_measured_node_on_its_way():
    assert derive("u>x", "u>z", "z>y", u="u", z="z").adjusted == {"z"}


def test_an_unmeasured_common_cause_must_be_declared_open():
    with pytest.raises(ModelError, match="stays open that is not declared open") as told:
        derive("u>x", "u>y", u="u")
    assert told.value.mend
    assert derive("u~x", "u>y", u="u").open_paths == (("x", "u", "y"),)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[nodes", "not valid TOML"),
        (source(kinds={"x": "x"}).replace("exposure", "boss"), "role, measured or at"),
        (source("x>z", kinds={"x": "x", "z": "z"}), "the set-up changes it"),
        (source("x>q", kinds={"x": "x"}), "'q' is no node"),
        (source("a>b", "b>a", kinds={"a": "u", "b": "u"}), "circle: a to b"),
        (
            source(kinds={"m": "m"}).replace('"yes"', '"yes"\nparts = ["m"]'),
            "has parts that adjust for it",
        ),
        (
            source("a>b", kinds={"a": "u", "b": "u"}).replace("as the textbook draws it", ""),
            "the reason is missing",
        ),
    ],
)
def test_a_wrong_source_is_refused_with_what_to_mend(text, said):
    with pytest.raises(ModelError, match=said) as told:
        parse_assumptions(text)
    assert told.value.problem.startswith("assumptions.toml")
    assert told.value.mend.endswith(".")
