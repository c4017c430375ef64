"""The rules by which refits become checks, on made-up results."""

from __future__ import annotations

import polars as pl
import pytest

from models.refits.base import Found
from models.refits.choices import choice_variations
from models.refits.verdicts import OWN, refit_checks
from models.vocabulary import OUTCOMES
from tests.report_results import estimands_of, made_up_refit

STORES, SURVIVAL, STRENGTH = OUTCOMES
OWN_MEANS = {STORES: 3.0, SURVIVAL: 9.0, STRENGTH: 0.6}
ESTIMANDS = estimands_of(OWN_MEANS, sd=1.0)


def check(name: str, *founds: Found, n_open: int | None = None):
    [one] = [c for c in refit_checks(list(founds), ESTIMANDS, n_open) if c.name == name]
    return one


def refit(check_name: str, *, name: str = "", told: dict | None = None, **shift: float) -> Found:
    """A refit that moves outcomes by posterior standard deviations; no shift: no answer."""
    means = {o: OWN_MEANS[o] + shift.get(o.split()[0], 0.0) for o in OUTCOMES}
    return made_up_refit(name or check_name, check_name, means, told=told or {})


def test_without_refits_every_check_says_how_to_run_them():
    checks = refit_checks([], ESTIMANDS)
    assert [c.name for c in checks] == [
        "complete_cases",
        "drawn_by_lot",
        "choices",
        "dose",
        "mites_from_counts",
        "autumn_strength",
        "without_one",
    ]
    assert {c.status for c in checks} == {"not run"}
    assert all("winterpool refit STUDY" in c.reason for c in checks)


@pytest.mark.parametrize("name", ["complete_cases", "drawn_by_lot", "dose", "mites_from_counts"])
def test_a_refit_fails_for_the_outcome_it_moves(name):
    assert check(name, refit(name, stores=0.9, survival=-0.9)).status == "passed"
    failed = check(name, refit(name, survival=-1.1))
    assert failed.failed_for == (SURVIVAL,)
    assert "own +9.0" in failed.sentence
    assert failed.table.filter(pl.col("is_moved"))["outcome"].to_list() == [SURVIVAL]
    assert "1 posterior standard deviation" in failed.reason


def test_the_dose_check_says_which_conductances_it_compares():
    told = {"conductances_w_per_k": [0.88, 3.2]}
    assert "0.88 with 3.20 W/K" in check("dose", refit("dose", told=told)).sentence


def test_too_few_drawn_by_lot_is_not_run_with_the_reason():
    why = "Cannot be estimated from these records, because fewer than 10 were drawn."
    found = made_up_refit("drawn_by_lot", "drawn_by_lot", {}, reason=why)
    one = check("drawn_by_lot", found)
    assert (one.status, one.reason) == ("not run", why)


def test_one_outcome_without_an_answer_can_neither_pass_nor_hide_a_failure():
    means = {STORES: 3.0, SURVIVAL: 9.0}
    partly = made_up_refit("complete_cases", "complete_cases", means, reason="Too few.")
    assert check("complete_cases", partly).status == "informational"
    moved = made_up_refit("complete_cases", "complete_cases", means | {STORES: 8.0}, reason="Few.")
    assert check("complete_cases", moved).failed_for == (STORES,)


def every_choice(**moved: float) -> list[Found]:
    return [refit("choices", name=v.name, **moved) for v in choice_variations()]


def test_choices_pass_only_when_all_were_tried_and_none_moves_the_answer():
    founds = every_choice(stores=0.5)
    assert check("choices", *founds).status == "passed"
    assert check("choices", *founds[:-1]).status == "informational"
    founds[3] = refit("choices", name=founds[3].name, spring=1.4)
    one = check("choices", *founds)
    assert one.failed_for == (STRENGTH,)
    assert f"Of {len(founds)} other choices {len(founds)} were tried" in one.sentence
    assert "spring strength by +1.40" in one.sentence


def test_the_table_of_choices_begins_with_the_own_answer_and_keeps_their_order():
    founds = every_choice()
    table = check("choices", *founds[::-1]).table
    order = table["words"].unique(maintain_order=True).to_list()
    assert order == [OWN, *(found.words for found in founds)]
    own = table.filter(pl.col("words") == OWN)
    assert dict(own.select("outcome", "mean").iter_rows()) == OWN_MEANS


def autumn(mean: float, sd: float, **told: int) -> Found:
    return made_up_refit(
        "autumn_strength", "autumn_strength", {"autumn strength": mean}, sd=sd, told=told
    )


@pytest.mark.parametrize(
    ("mean", "sd", "status"),
    [
        (0.1, 0.3, "passed"),
        (0.4, 0.1, "passed"),  # sure, but less than a count can tell
        (0.9, 0.3, "failed"),
        (-0.9, 0.3, "failed"),
        (0.9, 0.6, "passed"),  # the limits hold no difference
        (0.9, 0.9, "informational"),  # and would have held two frames
    ],
)
def test_autumn_strength_fails_when_it_differs_by_more_than_a_count_can_tell(mean, sd, status):
    one = check("autumn_strength", autumn(mean, sd, n_after=3))
    assert one.status == status
    assert one.failed_for == (OUTCOMES if status == "failed" else ())
    assert "3 counted after it were left out" in one.sentence


def left_out(rank: int, of: int, **shift: float) -> Found:
    told = {"kind": "member", "rank": rank, "n_left_out": 20, "of": of}
    return refit("without_one", name=f"without_one_{rank}", told=told, **shift)


def test_those_left_out_are_judged_by_the_same_rule_and_all_must_be():
    both = [left_out(1, 2, stores=0.4), left_out(2, 2)]
    assert check("without_one", *both).status == "passed"
    assert check("without_one", both[0]).status == "informational"
    assert check("without_one", left_out(1, 33, stores=-1.2)).failed_for == (STORES,)
    none = check("without_one", n_open=0)
    assert none.status == "not run"
    assert "Reweighting could judge" in none.reason


def test_no_refit_says_whose_records_it_left_out():
    told = check("without_one", left_out(1, 1)).table
    assert "n_left_out" not in told.columns
