"""Checks of the records alone: hand-worked rows and planted faults."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from models.checks import checks_table, write_checks
from models.checks.base import (
    FAILED,
    INFORMATIONAL,
    NOT_RUN,
    PASSED,
    About,
    Check,
)
from models.checks.mite_methods import check_mite_methods, method_ratios
from models.checks.order_of_events import check_order_of_events
from models.checks.overlap import (
    check_overlap,
    common_support,
    propensity,
    standardised_difference,
)
from models.checks.unreported import check_unreported, missing_by_level, tipping_point
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from tests.known_fit import known_fit


@pytest.fixture(scope="module")
def evidence():
    return known_fit(11, n_draws=2)


def test_standardised_difference_by_hand():
    one, other = np.array([2.0, 4.0]), np.array([1.0, 3.0])
    assert standardised_difference(one, other) == pytest.approx(1.0 / np.sqrt(2.0))
    assert standardised_difference(np.ones(3), np.ones(3)) is None


def test_propensity_agrees_with_statsmodels_where_the_ridge_is_weak():
    # source: statsmodels' Logit, without a penalty; 4,000 units make the ridge of 1 negligible
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(0)
    x = rng.normal(size=(4000, 2))
    is_at = rng.random(4000) < 1 / (1 + np.exp(-(0.3 + x @ [0.8, -0.5])))
    theirs = sm.Logit(is_at.astype(float), sm.add_constant(x)).fit(disp=False).predict()
    np.testing.assert_allclose(propensity(x, is_at), theirs, atol=2e-3)


def test_common_support_of_groups_that_do_and_do_not_meet():
    rng = np.random.default_rng(1)
    is_at = np.repeat([True, False], 200)
    alike = rng.random(400)
    assert common_support(alike, is_at) > 0.95
    apart = np.where(is_at, 0.8 + 0.2 * alike, 0.2 * alike)
    assert common_support(apart, is_at) == 0.0


def test_levels_that_never_resemble_each_other_fail(evidence):
    assert check_overlap(evidence).status in (PASSED, INFORMATIONAL)
    pool = evidence.pool
    cold = pool.covariates[0]
    is_none = pool.level == 0
    moved = replace(cold, mean=np.where(is_none, -4.0, 4.0) + 0.1 * cold.mean)
    apart = replace(pool, covariates=(moved, *pool.covariates[1:]))
    made = check_overlap(replace(evidence, pool=apart))
    assert made.status == FAILED
    assert made.failed_for == pool.outcomes
    assert made.table["common_support"].min() < 0.5


def counts(*rows):
    schema = ["colony_id", "method", "sampled_on", "bees_sampled", "mites_counted", "board_days"]
    frame = pl.DataFrame(rows, schema=schema, orient="row", infer_schema_length=None)
    return frame.with_columns(
        winter=pl.lit(2023),
        treatments_between=pl.lit(0),
        board_days=pl.col("board_days").cast(float),
    )


def test_mite_methods_are_compared_within_a_colony_and_a_fortnight(evidence):
    day, late = date(2023, 9, 20), date(2023, 10, 20)
    samples = counts(
        ("A", "alcohol wash", day, 300, 9, None),
        ("A", "sugar roll", day, 300, 4, None),
        ("B", "alcohol wash", day, 300, 19, None),
        ("B", "sugar roll", day, 300, 9, None),
        ("C", "alcohol wash", day, 300, 90, None),
        ("C", "sugar roll", late, 300, 1, None),  # a month apart: no pair
    )
    made = check_mite_methods(replace(evidence, mite_samples=samples))
    [row] = made.table.to_dicts()
    assert made.status == INFORMATIONAL
    assert (row["method_a"], row["method_b"], row["n_pairs"]) == ("alcohol wash", "sugar roll", 2)
    # half a mite is added to each count: (9.5 / 4.5) and (19.5 / 9.5)
    assert row["ratio"] == pytest.approx(np.sqrt((9.5 / 4.5) * (19.5 / 9.5)))
    one_way = samples.filter(pl.col("method") == "alcohol wash")
    alone = check_mite_methods(replace(evidence, mite_samples=one_way))
    assert alone.status == NOT_RUN
    assert "both ways" in alone.reason


def test_limits_of_agreement_by_hand():
    pairs = pl.DataFrame({"a": [2.0, 8.0], "b": [1.0, 1.0]})
    ratio, low, high, below, above = method_ratios(pairs)
    sd = np.log(4.0) / np.sqrt(2.0)
    assert ratio == pytest.approx(4.0)
    assert above / ratio == pytest.approx(np.exp(1.96 * sd))
    assert high / ratio == pytest.approx(np.exp(1.96 * sd / np.sqrt(2)))
    assert below < low < ratio


def test_missing_outcomes_are_counted_by_level_and_the_dead_need_no_frames(evidence):
    pool = evidence.pool
    rows = {level: (n, missing) for level, n, missing, _ in missing_by_level(pool, STRENGTH)}
    alive = pool.observed[SURVIVAL]
    dead = set(alive.rows[alive.value == 0].tolist())
    counted = set(pool.observed[STRENGTH].rows.tolist())
    for k, level in enumerate(pool.levels):
        own = [i for i in np.flatnonzero(pool.level == k) if i not in dead]
        assert rows[level] == (len(own), sum(i not in counted for i in own))


def test_much_unreported_fails_and_little_passes(evidence):
    pool = evidence.pool

    def keep(share):
        rng = np.random.default_rng(0)
        every, full = np.arange(pool.n_units), {}
        for outcome in pool.outcomes:
            rows = np.sort(rng.permutation(every)[: round(share * pool.n_units)])
            value = np.ones(len(rows))
            full[outcome] = replace(
                pool.observed[outcome], rows=rows, value=value, error=np.zeros(len(rows))
            )
        return check_unreported(replace(evidence, pool=replace(pool, observed=full)))

    assert keep(1.0).status == PASSED
    assert keep(0.88).status == INFORMATIONAL
    worst = keep(0.5)
    assert worst.status == FAILED
    assert set(worst.failed_for) == set(pool.outcomes)
    bound = worst.table.filter(pl.col("outcome") == SURVIVAL).to_dicts()[0]
    # every reported colony lived: the lower bound is their share, the upper one all
    assert bound["bound_low"] == pytest.approx(100 * (1 - bound["share_missing"]))
    assert bound["bound_high"] == pytest.approx(100.0)


def test_tipping_point_by_hand():
    # 6 points over 10 % + 5 % unreported: 40 points worse and better undo it
    assert tipping_point(6.0, 0.10, 0.05) == pytest.approx(40.0)
    assert tipping_point(-6.0, 0.10, 0.05) == pytest.approx(40.0)


def test_what_was_measured_after_the_set_up_fails(evidence):
    day = date(2022, 10, 10)
    frame = evidence.colony_winters.with_columns(
        autumn_strength_on=pl.lit(day), autumn_weighed_on=pl.lit(day)
    )
    none = evidence.mite_samples.clear()

    def judged(installed):
        set_ups = evidence.set_ups.with_columns(installed_on=pl.lit(installed, pl.Date))
        return check_order_of_events(
            replace(evidence, colony_winters=frame, mite_samples=none, set_ups=set_ups)
        )

    assert judged(day).status == PASSED
    late = judged(date(2022, 10, 1))
    assert late.failed_for == evidence.pool.outcomes
    assert late.table["share_after"].to_list() == [1.0, 1.0]
    assert judged(None).status == INFORMATIONAL


def test_stores_weighed_late_bear_on_survival_alone(evidence):
    frame = evidence.colony_winters.with_columns(
        autumn_strength_on=pl.lit(date(2022, 9, 1)), autumn_weighed_on=pl.lit(date(2022, 10, 20))
    )
    set_ups = evidence.set_ups.with_columns(installed_on=pl.lit(date(2022, 10, 1)))
    made = check_order_of_events(
        replace(
            evidence,
            colony_winters=frame,
            mite_samples=evidence.mite_samples.clear(),
            set_ups=set_ups,
        )
    )
    assert made.failed_for == (SURVIVAL,)


def test_a_check_says_what_its_failure_bears_on():
    about = About("a", "A", "Is it?")
    table = pl.DataFrame({"x": [1]})
    assert about.judged((), "Yes.", table, "why").status == PASSED
    assert about.judged((STORES,), "No.", table, "why").status == FAILED
    with pytest.raises(ValueError, match="yet failed for"):
        Check("a", "A", "Is it?", FAILED, "No.", table)
    with pytest.raises(ValueError, match="no status"):
        Check("a", "A", "Is it?", "amber", "No.", table)


def test_files_of_checks_are_written(tmp_path):
    about = About("a", "A", "Is it?")
    write_checks([about.judged((STORES, SURVIVAL), "No.", pl.DataFrame({"x": [1]}), "w")], tmp_path)
    [row] = pl.read_csv(tmp_path / "checks.csv").to_dicts()
    assert (row["status"], row["failed_for"]) == (FAILED, "stores use; survival")
    assert pl.read_csv(tmp_path / "checks" / "a.csv")["x"].to_list() == [1]
    assert checks_table([about.not_run("Nobody counted.")])["reason"][0] == "Nobody counted."
