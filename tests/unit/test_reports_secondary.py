"""Secondary outcomes in the report: numbers only where estimated, and what they are not."""

from __future__ import annotations

import polars as pl

from models.logged import BROOD, MOISTURE
from reports.secondary import secondary_sentences, secondary_table
from reports.tables import FEW


def rows(**change) -> pl.DataFrame:
    base = {
        "contrast": "full vs none",
        "measure": "difference",
        "unit": "days",
        "mean": -6.04,
        "q2.5": -11.2,
        "q97.5": 0.31,
        "p_less": 0.97,
        "n_units": 83,
        "n_members": 12,
        "n_left_out": 30,
        "status": "estimated",
        "reason": "",
    }
    hours = {"mean": -940.6, "q2.5": -1062.1, "q97.5": -821.4, "p_less": 1.0, "n_left_out": 64}
    return pl.DataFrame([{"outcome": BROOD} | base | change, {"outcome": MOISTURE} | base | hours])


def test_estimates_are_told_with_their_interval_and_direction():
    table = secondary_table(rows(), 5).to_dicts()
    assert table[0]["difference"] == "−6.0 days (−11.2\u00a0to\u00a0+0.3)"
    assert table[0]["words"] == "earlier with 97.0 % probability, else later"
    assert table[1]["difference"] == "−941 h per 100 logged days (−1\u202f062\u00a0to\u00a0−821)"
    assert table[0]["contrast"] == "full vs none"
    assert table[1]["words"] == "fewer with >\u00a099.9 % probability, else more"


def test_rows_without_an_estimate_say_why_and_show_no_number():
    empty = dict.fromkeys(("mean", "q2.5", "q97.5", "p_less"))
    reason = "Cannot be estimated from these records, because loggers are few."
    refused = secondary_table(rows(**empty, status="cannot be estimated", reason=reason), 5)
    assert refused["difference"][0] == "cannot be estimated"
    assert refused["words"][0] == reason
    stuck = secondary_table(rows(**empty, status="not converged", reason="R-hat"), 5)
    assert (stuck["difference"][0], "no number" in stuck["words"][0]) == ("not converged", True)


def test_a_count_of_few_members_is_a_word():
    table = secondary_table(rows(n_members=4), 5)
    assert table["members"].to_list() == [FEW, "12"]
    assert table["n_units"].to_list() == [FEW, "83"]


def test_the_sentences_say_survivors_what_is_left_out_and_what_is_not_held_still():
    first, second = secondary_sentences(rows())
    assert first.startswith("**Secondary**") and "came through" in first
    assert "30 logged winters" in first and "64 logged winters" in first
    assert "apiary and mite load are not held still" in second
    assert "by construction" in second


def test_nothing_fitted_or_nothing_estimable_is_said():
    assert secondary_sentences(rows().clear()) == ["The secondary outcomes have not been fitted."]
    broken = secondary_sentences(rows().clear(), "The fit broke off (RuntimeError).")
    assert broken == [
        "The secondary outcomes have not been fitted. The fit broke off \\(RuntimeError\\)\\."
    ]
    blocked = rows().with_columns(status=pl.lit("cannot be estimated"))
    [said] = secondary_sentences(blocked)
    assert "carry no comparison" in said
