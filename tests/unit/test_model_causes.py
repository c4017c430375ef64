"""Causes of loss: fates to times on hand-worked rows, the estimator against a library."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st
from scipy import stats
from statsmodels.duration.survfunc import CumIncidenceRight

from models.causes import (
    ALL_CAUSES,
    CAUSES,
    causes_by_level,
    cumulative_incidence,
    fates_by_level,
    incidence_curves,
    loss_times,
)
from pipeline.contracts import load_derived_contracts
from pipeline.settings import Settings

LAST_DAY = 227  # 1 October 2023 to 15 May 2024, a leap year: 31+30+31+31+29+31+30+14 days


def frames(*rows: dict) -> tuple[pl.DataFrame, pl.DataFrame]:
    """``colony_winters`` and ``winter_survival`` of winter 2023."""
    made: dict[str, list[dict]] = {"colony_winters": [], "winter_survival": []}
    for i, row in enumerate(rows):
        unit = {"colony_id": f"C{i}", "winter": 2023, "is_disaster": False, "member_id": "M1"}
        unit |= {"level": "none", "is_at_risk": True} | row
        for table, units in made.items():
            columns = load_derived_contracts()[table].columns
            units.append({k: v for k, v in unit.items() if k in columns})
    units, survival = (
        pl.DataFrame(units, schema=load_derived_contracts()[table].polars_schema)
        for table, units in made.items()
    )
    return units, survival


def one(**row) -> dict:
    [found] = loss_times(*frames(row), Settings()).to_dicts()
    return found


def dead(**more) -> dict:
    return {"is_alive": False, "state": "dead", "lost_on": date(2024, 1, 9)} | more


def test_a_colony_found_dead_is_lost_on_that_day_to_its_recorded_cause():
    found = one(**dead(likely_cause="mites"))
    assert (found["fate"], found["cause"], found["day"]) == ("lost", "mites", 100)
    assert found["is_dated"]


@pytest.mark.parametrize(
    ("recorded", "cause"), [(None, "unknown"), ("unknown", "unknown"), ("disaster", "other")]
)
def test_no_cause_is_unknown_and_a_disaster_that_did_not_decide_is_other(recorded, cause):
    assert one(**dead(likely_cause=recorded))["cause"] == cause


def test_a_colony_found_without_a_laying_queen_is_lost_to_its_queen_on_the_day_of_the_check():
    row = {"is_alive": False, "state": "alive without laying queen"}
    found = one(**row, checked_on=date(2024, 4, 18))
    assert (found["cause"], found["day"], found["is_dated"]) == ("queen", 200, True)
    assert one(**row, checked_on=date(2024, 4, 18), likely_cause="mites")["cause"] == "mites"


def test_a_loss_without_a_day_or_found_after_the_winter_stands_on_its_last_day():
    for lost_on in (None, date(2024, 7, 1)):
        found = one(**dead(lost_on=lost_on))
        assert (found["fate"], found["day"], found["is_dated"]) == ("lost", LAST_DAY, False)


def test_a_colony_that_came_through_is_at_risk_to_the_last_day_not_to_its_check():
    found = one(is_alive=True, state="alive", checked_on=date(2024, 4, 1))
    assert (found["fate"], found["cause"], found["day"]) == ("came through", None, LAST_DAY)


def test_a_disaster_is_censored_on_its_day_and_is_no_cause():
    found = one(
        is_disaster=True, state="lost to disaster", lost_on=date(2023, 10, 11), likely_cause="mites"
    )
    assert (found["fate"], found["cause"], found["day"]) == ("lost to disaster", None, 10)


def test_unknown_fates_are_censored_when_last_seen_alive_or_left_out():
    seen = one(state="alive", checked_on=date(2023, 12, 1))
    assert (seen["fate"], seen["day"]) == ("last seen alive", 61)
    moved = one(state="moved away", checked_on=date(2023, 11, 1), lost_on=date(2023, 11, 1))
    assert (moved["fate"], moved["day"]) == ("last seen alive", 31)
    for row in ({}, {"state": "dead", "lost_on": date(2024, 1, 1)}):
        found = one(**row)
        assert (found["fate"], found["day"]) == ("fate unknown", None)


def test_units_that_are_not_analysed_have_no_row_and_all_others_one():
    units, survival = frames(
        dead(), {"exclusion_reason": "no set-up recorded"}, {"level": None}, {"is_alive": True}
    )
    times = loss_times(units, survival, Settings())
    assert times["colony_id"].to_list() == ["C0", "C3"]
    assert fates_by_level(times)["n_units"].sum() == 2


# ------------------------------------------------------------------------------- the estimator


def counts(day: np.ndarray, cause: np.ndarray, n_causes: int) -> tuple[np.ndarray, np.ndarray]:
    """Losses and leavers at each distinct day; cause 0 is censored."""
    days, at = np.unique(day, return_inverse=True)
    events = np.zeros((len(days), n_causes))
    np.add.at(events, (at[cause > 0], cause[cause > 0] - 1), 1.0)
    return events, np.bincount(at, minlength=len(days)).astype(float)


def test_hand_worked_ties_count_once():
    """Times 1, 1, 2, 2, 3, all lost: 0.4, 0.8, 1 (a curve that unties them is wrong)."""
    events, leaving = counts(np.array([1, 1, 2, 2, 3]), np.ones(5, int), 1)
    assert cumulative_incidence(events, leaving)[:, 0] == pytest.approx([0.4, 0.8, 1.0])


TIED = st.lists(st.tuples(st.integers(1, 6), st.integers(0, 3)), min_size=2, max_size=40)


# its standard errors, which are not used here, divide by zero when everybody at risk is lost
@pytest.mark.filterwarnings("ignore::RuntimeWarning:statsmodels")
@rules(deadline=None)
@given(TIED)
def test_it_agrees_with_an_independent_library_on_tied_and_censored_data(rows):
    """statsmodels CumIncidenceRight (right-censored competing risks).

    lifelines' AalenJohansenFitter is no reference here: it adds random jitter to tied times.
    """
    day, cause = (np.array(column) for column in zip(*rows, strict=True))
    present = sorted(set(cause[cause > 0]))
    if not present:
        return
    cause = np.array([present.index(c) + 1 if c else 0 for c in cause])
    theirs = CumIncidenceRight(day.astype(float), cause)
    ours = cumulative_incidence(*counts(day, cause, len(present)))
    days = np.unique(day)
    for k, values in enumerate(theirs.cinc):
        at = np.searchsorted(days, theirs.times)
        assert ours[at, k] == pytest.approx(values, abs=1e-12)


@given(TIED)
def test_the_causes_add_up_to_one_minus_kaplan_meier(rows):
    """SciPy's Kaplan–Meier estimate of all losses together."""
    day, cause = (np.array(column) for column in zip(*rows, strict=True))
    if not cause.any():
        return
    sample = stats.CensoredData.right_censored(day, cause == 0)
    theirs = stats.ecdf(sample).cdf
    ours = cumulative_incidence(*counts(day, cause, 3)).sum(axis=1)
    at = np.searchsorted(np.unique(day), theirs.quantiles)
    assert ours[at] == pytest.approx(theirs.probabilities, abs=1e-12)


def test_no_colony_and_nobody_at_risk_give_zero():
    assert cumulative_incidence(np.zeros((2, 3)), np.zeros(2)).tolist() == [[0.0] * 3] * 2


# ------------------------------------------------------------------------------------ tables


def pool() -> pl.DataFrame:
    """Ten members with four colonies each, at two levels; one in five lost, found in spring."""
    rows = []
    for m in range(10):
        for c in range(4):
            row = {"member_id": f"M{m}", "level": ("none", "full")[c % 2]}
            visit = date(2024, 4, 1 + 3 * m)  # everybody opens the hives once, on another day
            if (m + c) % 5 == 0:
                row |= dead(lost_on=visit, likely_cause="mites" if m < 5 else "starvation")
            else:
                row |= {"is_alive": True, "state": "alive", "checked_on": visit}
            rows.append(row)
    return loss_times(*frames(*rows), Settings())


def test_the_share_lost_is_the_share_lost_though_hives_are_opened_on_different_days():
    """Censoring the living at their check would give 37 % here instead of 20 %."""
    times = pool()
    table = causes_by_level(times, seed=1)
    for level in ("none", "full"):
        part = times.filter(level=level)
        lost = 100.0 * (part["fate"] == "lost").sum() / part.height
        row = table.filter(level=level, cause=ALL_CAUSES).row(0, named=True)
        assert row["incidence"] == pytest.approx(lost)
        assert row["low"] <= lost <= row["high"]
        causes = table.filter(pl.col("level") == level, pl.col("cause") != ALL_CAUSES)
        assert causes["incidence"].sum() == pytest.approx(lost)
        assert causes["n_lost"].sum() == row["n_lost"]
    censored = times.with_columns(
        day=pl.when(pl.col("fate") == "came through")
        .then(183 + 3 * pl.col("member_id").str.slice(1).cast(pl.Int64))
        .otherwise("day")
    )
    wrong = causes_by_level(censored, seed=1).filter(cause=ALL_CAUSES)["incidence"]
    assert wrong.max() > 30.0


def test_a_cause_that_took_nobody_has_no_interval():
    row = causes_by_level(pool(), seed=1).filter(level="none", cause="moisture").row(0, named=True)
    assert (row["n_lost"], row["incidence"], row["low"], row["high"]) == (0, 0.0, None, None)


def test_colonies_of_one_member_widen_the_interval_as_they_should():
    """All losses with one of ten members: the share is 10 %, but may well be 0 or 30 %."""
    rows = [
        {"member_id": f"M{m}", **(dead() if m == 0 else {"is_alive": True})}
        for m in range(10)
        for _ in range(10)
    ]
    table = causes_by_level(loss_times(*frames(*rows), Settings()), seed=1)
    row = table.filter(cause=ALL_CAUSES).row(0, named=True)
    assert row["incidence"] == pytest.approx(10.0)
    assert row["low"] == 0.0
    assert 25.0 <= row["high"] <= 45.0  # exact binomial of 10 members: 3.7 at 97.5 %


def test_curves_rise_from_day_zero_and_end_where_the_table_does():
    times = pool()
    curves, table = incidence_curves(times), causes_by_level(times, seed=1)
    for (level, cause), line in curves.group_by("level", "cause"):
        assert line["day"].is_sorted() and line["day"][0] == 0
        assert (line["incidence"].diff().drop_nulls() >= 0).all()
        end = table.filter(level=level, cause=cause)["incidence"].item()
        assert line["incidence"][-1] == pytest.approx(end)
    assert set(curves["cause"]) == {*CAUSES, ALL_CAUSES}


def test_an_empty_pool_gives_empty_tables():
    empty = pool().clear()
    assert causes_by_level(empty, seed=1).is_empty()
    assert incidence_curves(empty).is_empty()
    assert fates_by_level(empty).is_empty()
