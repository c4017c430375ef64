"""The draw of next winter's set-ups: blocks, lots, balance."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import polars as pl
from scipy import stats

from pipeline.assignment import (
    COLONIES_SCHEMA,
    Draw,
    balance_by_level,
    draw_levels,
    likeness_scores,
    lot,
    make_blocks,
    taking_part,
)

LEVELS = ("none", "top", "full")


def pool(sizes: list[int], seed: int = 1, *, share_missing: float = 0.0) -> pl.DataFrame:
    """Invented colonies in apiaries of these sizes; strength differs between apiaries."""
    rng = np.random.default_rng(seed)
    rows = []
    for a, size in enumerate(sizes):
        middle = rng.uniform(5, 12)
        for c in range(size):
            is_board = bool(rng.random() < 0.2)
            is_counted = bool(rng.random() >= share_missing)
            rows.append(
                {
                    "colony_id": f"C{a:03d}-{c}",
                    "apiary_id": f"A{a:03d}",
                    "member_id": f"M{a // 2}",
                    "strength_frames": float(rng.normal(middle, 2)) if is_counted else None,
                    "mite_rate": float(rng.lognormal(1, 0.8)) if rng.random() < 0.7 else None,
                    "mite_unit": "a day" if is_board else "per 100 bees",
                }
            )
    return pl.DataFrame(rows, schema=COLONIES_SCHEMA)


def test_a_lot_is_the_sha256_of_seed_and_names_with_a_separator() -> None:
    # FIPS 180-4 SHA-256, by coreutils: printf '7\x1fblock\x1fAlder\x1fA1' | sha256sum
    assert lot(7, "block", "Alder", "A1") == (
        "97d9147e715d3d90707adc47fb9844c7e2a2acafc292ca8b2514c98ad71e5279"
    )


def test_whole_blocks_hold_each_level_once_and_every_colony_takes_part() -> None:
    drawn = draw_levels(Draw(2026, 3, LEVELS, None, pool([9, 6, 3])))
    assert drawn.height == 18
    by_block = drawn.group_by("block").agg(pl.col("level").sort())
    assert by_block["level"].to_list() == [sorted(LEVELS)] * 6
    assert drawn["winter"].unique().to_list() == [2026]


def test_permutations_of_levels_over_a_block_are_equally_likely() -> None:
    counts: Counter[tuple[str, ...]] = Counter()
    for seed in range(4):
        drawn = draw_levels(Draw(2026, seed, LEVELS, None, pool([3] * 300, seed=9)))
        wide = drawn.sort("colony_id").group_by("block", maintain_order=True).agg("level")
        counts.update(map(tuple, wide["level"].to_list()))
    assert len(counts) == 6
    assert sum(counts.values()) == 1200
    assert stats.chisquare(list(counts.values())).pvalue > 0.01


def test_levels_of_blocks_that_are_not_whole_are_equally_likely_and_dealt_evenly() -> None:
    counts: Counter[str] = Counter()
    for seed in range(300):
        drawn = draw_levels(Draw(2026, seed, LEVELS, None, pool([1, 2, 1])))
        counts[drawn.filter(pl.col("apiary_id") == "A002")["level"][0]] += 1
        pair = drawn.filter(pl.col("apiary_id") == "A001")["level"]
        assert pair.n_unique() == 2
        held = Counter(drawn["level"].to_list())
        assert max(held.values()) - min(held[level] for level in LEVELS) <= 2
    assert stats.chisquare(list(counts.values())).pvalue > 0.01
    many = draw_levels(Draw(2026, 5, LEVELS, None, pool([1] * 90)))
    assert set(Counter(many["level"].to_list()).values()) == {30}


def test_the_same_seed_gives_the_same_table_whatever_the_order_of_rows() -> None:
    draw = Draw(2026, 11, ("none", "full"), 4, pool([7, 4, 1]))
    mixed = replace(draw, colonies=draw.colonies.sample(fraction=1, shuffle=True, seed=2))
    assert draw_levels(draw).equals(draw_levels(mixed))
    assert not draw_levels(draw).equals(draw_levels(replace(draw, seed=12)))


def test_those_picked_in_an_apiary_are_picked_by_lot_alike() -> None:
    counts: Counter[str] = Counter()
    for seed in range(200):
        draw = Draw(2026, seed, ("none", "full"), 2, pool([5]))
        counts.update(taking_part(draw)["colony_id"].to_list())
    assert sum(counts.values()) == 400
    assert len(counts) == 5
    assert stats.chisquare(list(counts.values())).pvalue > 0.01


def test_an_apiarys_lots_do_not_hang_on_other_apiaries() -> None:
    """With whole blocks alone; strength is standardised over all, which leaves its order."""
    colonies = pool([6, 4]).with_columns(mite_rate=pl.lit(None, pl.Float64))
    both = draw_levels(Draw(2026, 4, ("none", "full"), None, colonies))
    own = colonies.filter(pl.col("apiary_id") == "A000")
    alone = draw_levels(Draw(2026, 4, ("none", "full"), None, own))
    assert both.filter(pl.col("apiary_id") == "A000").equals(alone)


def test_blocks_balance_strength_and_mites_better_than_a_simple_draw() -> None:
    """Blocking's purpose: Fisher, The Design of Experiments (1935), ch. 4, from memory."""
    colonies = pool([8] * 6, seed=3)
    scores = likeness_scores(colonies)
    rng = np.random.default_rng(0)
    blocked, simple = [], []
    order = {name: row for row, name in enumerate(colonies["colony_id"])}
    for seed in range(60):
        drawn = draw_levels(Draw(2026, seed, ("none", "full"), None, colonies))
        full = [order[c] for c in drawn.filter(pl.col("level") == "full")["colony_id"]]
        is_full = np.zeros(len(order), dtype=bool)
        is_full[full] = True
        blocked.append(scores[is_full].mean(axis=0) - scores[~is_full].mean(axis=0))
        mixed = np.concatenate([rng.permutation([False] * 4 + [True] * 4) for _ in range(6)])
        simple.append(scores[mixed].mean(axis=0) - scores[~mixed].mean(axis=0))
    assert (np.std(blocked, axis=0) < 0.7 * np.std(simple, axis=0)).all()
    assert np.abs(np.mean(blocked, axis=0)).max() < 0.1


def test_gaps_count_as_the_apiarys_mean_and_kinds_of_mite_counts_on_their_own() -> None:
    rows = [
        ("a", "A", "M", 4.0, 1.0, "per 100 bees"),
        ("b", "A", "M", 8.0, 4.0, "per 100 bees"),
        ("c", "A", "M", None, None, None),
        ("d", "B", "M", 6.0, 10.0, "a day"),
        ("e", "B", "M", 6.0, 40.0, "a day"),
        ("f", "C", "M", None, None, None),
    ]
    scores = likeness_scores(pl.DataFrame(rows, schema=COLONIES_SCHEMA, orient="row"))
    # frames 4 8 6 6: mean 6, sd sqrt(2); log rates 1 and 4, 10 and 40 are each one pair
    half = np.sqrt(2.0)
    np.testing.assert_allclose(scores[:, 0], [-half, half, 0, 0, 0, 0], atol=1e-12)
    np.testing.assert_allclose(scores[:, 1], [-1, 1, 0, -1, 1, 0], atol=1e-12)


def test_blocks_go_from_the_outside_in() -> None:
    scores = np.array([[0.0, 0.0], [5.0, 5.0], [0.2, 0.0], [5.1, 5.0], [2.0, 2.0]])
    assert [b.tolist() for b in make_blocks(scores, 2)] == [[3, 1], [0, 2], [4]]
    assert make_blocks(np.zeros((0, 2)), 2) == []


def test_balance_tells_counts_and_distance_from_the_mean() -> None:
    drawn = draw_levels(Draw(2026, 1, ("none", "full"), None, pool([4, 4])))
    table = balance_by_level(drawn, ("none", "full", "top"))
    assert table["colonies"].to_list() == [4, 4, 0]
    assert abs(table["strength_sd"][0] + table["strength_sd"][1]) < 1e-12
    assert table.row(2, named=True)["strength_sd"] is None
