"""Identification: hand-drawn pools whose links can be counted on the fingers."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from models.data import pack_pool
from models.identify import CONTRASTS, count_links, identify_contrasts
from models.simulate import Scenario, simulate_pool
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from pipeline.settings import ModelSettings, Settings

SETTINGS = Settings(model=ModelSettings(minimum_colonies=4, minimum_links=3))
TEMPLATE = simulate_pool(Scenario(n_members=2, colonies_per_apiary=2), 1)


def pool_of(rows: list[tuple[str, str, str, int]], settings: Settings = SETTINGS, **changed):
    """Build a pool from (member, level, opening, how many); every other one died."""
    units = []
    for member, level, opening, count in rows:
        for _ in range(count):
            n = len(units)
            units.append(
                {
                    "colony_id": f"c{n:03d}",
                    "winter": 2022,
                    "apiary_id": f"yard of {member}",
                    "member_id": member,
                    "level": level,
                    "top_opening": opening,
                    "is_alive": n % 2 == 0,
                    "stores_use_kg": 10.0 + n % 5,
                    "stores_method_sd_kg": 1.0,
                    "window_days": 177.0,
                    "spring_strength_frames": 5.0 + n % 3,
                    "is_disaster": False,
                }
            )
    columns = TEMPLATE.colony_winters.schema
    table = pl.DataFrame(units)
    table = table.with_columns(
        *(pl.lit(None, dtype=t).alias(c) for c, t in columns.items() if c not in table.columns)
    )
    table = table.with_columns(**changed)
    return pack_pool(table, TEMPLATE.mite_samples.clear(), settings)


def both(levels: tuple[str, ...], members: range, opening: str = "closed") -> list[tuple]:
    return [(f"m{k}", level, opening, 2) for k in members for level in levels]


def test_three_members_who_used_both_identify_a_contrast():
    verdicts = identify_contrasts(pool_of(both(("none", "full"), range(3))), SETTINGS)
    assert verdicts[STORES, "full vs none"].is_identified
    assert verdicts[SURVIVAL, "full vs none"].is_identified


def test_two_members_do_not():
    pool = pool_of([*both(("none", "full"), range(2)), ("x", "full", "closed", 9)])
    verdict = identify_contrasts(pool, SETTINGS)[STORES, "full vs none"]
    assert not verdict.is_identified
    assert verdict.reason.startswith(
        "Cannot be estimated from these records, because fewer than 3 members or apiaries"
    )


def test_a_chain_through_another_level_identifies_a_contrast():
    rows = both(("none", "top"), range(3)) + both(("top", "full"), range(3, 6))
    verdicts = identify_contrasts(pool_of(rows), SETTINGS)
    assert verdicts[STORES, "full vs none"].is_identified
    broken = both(("none", "top"), range(3)) + both(("partial", "full"), range(3, 6))
    verdicts = identify_contrasts(pool_of(broken), SETTINGS)
    assert verdicts[STORES, "top vs none"].is_identified
    assert not verdicts[STORES, "full vs none"].is_identified
    assert not verdicts[STORES, "partial vs none"].is_identified


def test_a_level_that_always_comes_with_another_opening_is_not_told_from_the_opening():
    rows = both(("none",), range(6), "open") + both(("full",), range(6), "closed")
    verdicts = identify_contrasts(pool_of(rows), SETTINGS)
    assert not verdicts[STORES, "full vs none"].is_identified
    assert "same top opening" in verdicts[STORES, "full vs none"].reason
    # as practised, the two set-ups together are compared, and members link those
    assert verdicts[STORES, "full closed vs none"].is_identified


def test_a_level_nobody_used_gets_a_reason_not_a_number():
    verdicts = identify_contrasts(pool_of(both(("none", "full"), range(4))), SETTINGS)
    assert verdicts[SURVIVAL, "partial vs none"].reason == (
        "Cannot be estimated from these records, because no colony-winter with this outcome "
        "recorded stood at level partial (4 are needed)."
    )


def test_links_count_only_units_with_the_outcome():
    pool = pool_of(
        both(("none", "full"), range(4)),
        stores_use_kg=pl.when(pl.col("member_id").is_in(["m0", "m1"]))
        .then(None)
        .otherwise(pl.col("stores_use_kg")),
    )
    verdicts = identify_contrasts(pool, SETTINGS)
    assert verdicts[SURVIVAL, "full vs none"].is_identified
    assert not verdicts[STORES, "full vs none"].is_identified
    links = count_links(pool, SETTINGS).filter(level_a="none", level_b="full")
    counted = dict(links.select("outcome", "linking_members").iter_rows())
    assert counted == {"any": 4, STORES: 2, SURVIVAL: 4, STRENGTH: 4}
    linked = dict(links.select("outcome", "is_linked").iter_rows())
    assert linked[SURVIVAL] and not linked[STORES]


def test_apiaries_of_one_member_can_link_too():
    table = [(f"yard {k}", level, "closed", 2) for k in range(3) for level in ("none", "full")]
    pool = pool_of(table, member_id=pl.lit("only one"))
    assert not pool.has("member effects")
    assert identify_contrasts(pool, SETTINGS)[STORES, "full vs none"].is_identified


def test_strength_needs_survival_because_a_dead_colony_counts_as_zero():
    pool = pool_of(both(("none", "full"), range(4)), is_alive=pl.lit(True), strength=pl.lit(None))
    verdict = identify_contrasts(pool, SETTINGS)[STRENGTH, "full vs none"]
    assert not verdict.is_identified
    assert "for survival every colony survived" in verdict.reason


@pytest.mark.parametrize("contrast", CONTRASTS)
def test_when_nothing_varies_no_contrast_is_identified(contrast):
    pool = pool_of([("m0", "none", "open", 20), ("m1", "none", "open", 20)])
    verdicts = identify_contrasts(pool, SETTINGS)
    assert not any(v.is_identified for v in verdicts.values())
    assert "with this outcome recorded stood" in verdicts[STORES, contrast].reason


def test_minimum_links_is_read_from_the_settings():
    pool = pool_of(both(("none", "full"), range(3)))
    strict = replace(SETTINGS, model=replace(SETTINGS.model, minimum_links=4))
    assert not identify_contrasts(pool, strict)[STORES, "full vs none"].is_identified


def test_few_colony_winters_are_not_counted_out():
    pool = pool_of([*both(("none",), range(4)), ("m0", "full", "closed", 2)])
    reason = identify_contrasts(pool, SETTINGS)[STORES, "full vs none"].reason
    assert reason == (
        "Cannot be estimated from these records, because fewer than 4 colony-winters with this "
        "outcome recorded stood at level full."
    )


def test_without_units_every_reason_is_true():
    excluded = pool_of(both(("none", "full"), range(3)), exclusion_reason=pl.lit("moved away"))
    assert identify_contrasts(excluded, SETTINGS)[SURVIVAL, "full vs none"].reason == (
        "Cannot be estimated from these records, because no colony-winter could be analysed: "
        "12 colony-winters are left out: moved away."
    )
    for name in ("member effects", "winter effects", "top opening"):
        assert excluded.parts[name].reason == "no colony-winter is analysed"


def test_parts_that_are_left_out_say_why_without_small_counts():
    pool = pool_of([("m0", "none", "open", 20), ("m1", "full", "open", 20)])
    reasons = {part.name: part.reason for part in pool.parts.values()}
    assert reasons["top opening"] == "fewer than 4 tops are recorded closed"
    assert reasons["colony effects"] == "fewer than 4 colonies are recorded in more than one winter"
    assert reasons["apiary-varying full"] == "fewer than 3 apiaries have fully insulated colonies"
