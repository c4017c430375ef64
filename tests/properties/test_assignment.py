"""Draws of any pool: odd apiaries, single colonies, more levels than colonies."""

from __future__ import annotations

from collections import Counter

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.assignment import COLONIES_SCHEMA, Draw, draw_levels, taking_part
from pipeline.physics.insulation import LEVELS

VALUES = st.one_of(st.none(), st.floats(0.25, 40, allow_nan=False))


@st.composite
def draws(draw: st.DrawFn) -> Draw:
    sizes = draw(st.lists(st.integers(1, 9), min_size=1, max_size=5))
    levels = draw(st.permutations(LEVELS))[: draw(st.integers(2, 4))]
    rows = [
        (f"{a}/{c}", f"yard {a}", f"M{a % 2}", draw(VALUES), draw(VALUES), draw(UNITS))
        for a, size in enumerate(sizes)
        for c in range(size)
    ]
    colonies = pl.DataFrame(rows, schema=COLONIES_SCHEMA, orient="row")
    most = draw(st.one_of(st.none(), st.integers(len(levels), 8)))
    return Draw(2026, draw(st.integers(0, 2**53)), tuple(levels), most, colonies)


UNITS = st.sampled_from(["per 100 bees", "a day"])


@settings(max_examples=60, deadline=None)
@given(draws())
def test_every_draw_keeps_its_promises(draw: Draw) -> None:
    drawn = draw_levels(draw)
    sizes = Counter(draw.colonies["apiary_id"].to_list())
    most = draw.per_apiary or max(sizes.values())
    taken = Counter(drawn["apiary_id"].to_list())
    assert taken == {yard: min(size, most) for yard, size in sizes.items()}
    assert set(drawn["colony_id"]) == set(taking_part(draw)["colony_id"])
    assert drawn["colony_id"].is_unique().all()
    short = Counter()
    for block in drawn.partition_by("block"):
        assert block["apiary_id"].n_unique() == 1
        assert block["level"].is_unique().all()
        assert set(block["level"]) <= set(draw.levels)
        short[block["apiary_id"][0]] += block.height < len(draw.levels)
    assert max(short.values()) <= 1
    for own in drawn.partition_by("apiary_id"):
        held = Counter(own["level"].to_list())
        assert max(held.values()) - min(held[level] for level in draw.levels) <= 1
    assert draw_levels(draw).equals(drawn)
