"""Loss rates on hand-worked rows: who counts, in which row, and when there is no interval."""

from __future__ import annotations

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.loss_rates import LOSS_RATES_SCHEMA, RATES, loss_rates
from pipeline.contracts import load_derived_contracts

SCHEMA = load_derived_contracts()["colony_winters"].polars_schema


def table(*groups: tuple[str, int, int], **more) -> pl.DataFrame:
    """Colony-winters of (member, wintered, lost)."""
    rows = []
    for member, wintered, lost in groups:
        for k in range(wintered):
            row = {"colony_id": f"{member}-{k}-{len(rows)}", "winter": 2023, "member_id": member}
            row |= {"level": "none", "is_alive": k >= lost, "is_disaster": False}
            rows.append(row | more)
    full = [{name: row.get(name) for name in SCHEMA} for row in rows]
    return pl.DataFrame(full, schema=SCHEMA, orient="row")


def only(frame: pl.DataFrame, **where) -> dict:
    return loss_rates(frame).filter(**where).row(0, named=True)


def test_large_members_rule_the_overall_rate_and_all_count_alike_in_the_average():
    found = only(table(("A", 2, 1), ("B", 8, 0), ("C", 40, 4)), level="all")
    assert (found["n_members"], found["n_colonies"], found["n_lost"]) == (3, 50, 5)
    assert found["overall_pct"] == pytest.approx(10.0)  # 5 of 50
    assert found["average_pct"] == pytest.approx((50.0 + 0.0 + 10.0) / 3)
    assert found["overall_low_pct"] < 10.0 < found["overall_high_pct"]
    # shares 0.5, 0, 0.1: sd 0.2646, t(0.975, 2) = 4.3027, so 0.2 ± 0.657, cut off at 0
    assert (found["average_low_pct"], found["average_high_pct"]) == pytest.approx(
        (0.0, 85.7), abs=0.1
    )
    # Pearson: (1-0.2)²/0.18 + (0-0.8)²/0.72 + (4-4)²/3.6 = 4.444 over 2 degrees of freedom
    assert found["dispersion"] == pytest.approx(2.2222, abs=1e-4)


def test_levels_stand_in_their_order_before_all_and_winters_follow():
    frame = pl.concat(
        [
            table(("A", 4, 1), ("B", 4, 2), level="full"),
            table(("A", 4, 1), ("B", 4, 3), level="none", winter=2024),
        ]
    )
    found = loss_rates(frame)
    assert found.select("winter", "level").rows() == [
        (None, "none"),
        (None, "full"),
        (None, "all"),
        (2023, "all"),
        (2024, "all"),
    ]
    assert found["n_lost"].to_list() == [4, 3, 7, 3, 4]
    assert found["n_members"].to_list() == [2] * 5  # a member is one cluster over all winters


def test_disasters_and_unknown_fates_are_left_out_and_counted():
    frame = pl.concat(
        [
            table(("A", 5, 1), ("B", 5, 2)),
            table(("A", 2, 0), is_disaster=True, is_alive=None),
            table(("B", 3, 0), is_alive=None),
        ]
    )
    found = only(frame, level="all")
    assert (found["n_colonies"], found["n_disaster"], found["n_unknown"]) == (10, 2, 3)
    assert found["overall_pct"] == pytest.approx(30.0)


def test_excluded_units_and_those_of_nobody_do_not_count_and_no_level_counts_in_all():
    frame = pl.concat(
        [
            table(("A", 5, 1), ("B", 5, 2)),
            table(("A", 5, 5), exclusion_reason="sold"),
            table(("A", 5, 5), member_id=None),
            table(("B", 2, 2), level=None),
        ]
    )
    assert only(frame, level="none")["n_colonies"] == 10
    assert only(frame, level="all")["n_colonies"] == 12


@pytest.mark.parametrize(
    ("groups", "has_average", "says"),
    [
        ([("A", 5, 2)], False, "one member only"),
        ([("A", 5, 0), ("B", 9, 0)], False, "no colony was lost"),
        ([("A", 5, 5), ("B", 9, 9)], False, "every colony was lost"),
        ([("A", 4, 1), ("B", 8, 2)], False, "the same share"),
        ([("A", 4, 1), ("B", 8, 3)], True, ""),
    ],
)
def test_where_no_spread_is_seen_there_is_a_rate_but_no_interval(groups, has_average, says):
    found = only(table(*groups), level="all")
    assert found["overall_pct"] is not None
    assert (found["overall_low_pct"] is None) == bool(says)
    assert (found["average_low_pct"] is not None) == has_average
    assert says in found["reason"]


def test_a_level_whose_fates_are_all_unknown_keeps_its_row():
    found = only(table(("A", 3, 0), is_alive=None), level="none")
    assert (found["n_colonies"], found["n_unknown"], found["overall_pct"]) == (0, 3, None)
    assert found["reason"] == "no colony with a known fate"


def test_nothing_analysed_gives_an_empty_table():
    assert_frame_equal(
        loss_rates(pl.DataFrame(schema=SCHEMA)), pl.DataFrame(schema=LOSS_RATES_SCHEMA)
    )


def test_the_order_of_rows_changes_nothing():
    frame = table(("A", 2, 1), ("B", 8, 0), ("C", 40, 4))
    shuffled = frame.sample(fraction=1.0, shuffle=True, seed=2)
    assert_frame_equal(loss_rates(frame), loss_rates(shuffled))


def test_intervals_lie_within_0_and_100_around_their_rates():
    found = only(table(("A", 2, 1), ("B", 1, 1), ("C", 3, 0), ("D", 9, 8)), level="all")
    for name in ("overall", "average"):
        low, rate, high = (found[f"{name}_{end}pct"] for end in ("low_", "", "high_"))
        assert 0.0 <= low < rate < high <= 100.0
    assert set(RATES) <= set(found)
