"""The rule of the words: a table of probabilities, failed checks and what the report says."""

from __future__ import annotations

import polars as pl
import pytest

from models.checks import CHECKS_SCHEMA
from reports.verdict import WEAKER, Judged, failed_checks, judge, weakening_sentence
from reports.wording import PROBABILITY_WORDS, Verdict

STORES, SURVIVAL = "stores use", "survival"


def checks(*rows):
    blank = dict.fromkeys(CHECKS_SCHEMA, "")
    made = [
        blank | {"title": title, "status": status, "failed_for": failed_for}
        for title, status, failed_for in rows
    ]
    return pl.DataFrame(made, schema=CHECKS_SCHEMA)


FAILED = checks(
    ("Overlap", "failed", f"{STORES}; {SURVIVAL}"),
    ("Calibration", "failed", STORES),
    ("Influence", "passed", ""),
    ("Grid", "informational", ""),
)


@pytest.mark.parametrize(
    ("p", "word", "after"),
    [
        (0.995, "almost certainly", ("very likely", 1)),
        (0.97, "very likely", ("probably", 1)),
        (0.85, "probably", ("unclear", 0)),
        (0.60, "unclear", ("unclear", 0)),
        (0.40, "unclear", ("unclear", 0)),
        (0.15, "probably", ("unclear", 0)),
        (0.03, "very likely", ("probably", -1)),
        (0.005, "almost certainly", ("very likely", -1)),
    ],
)
def test_words_are_one_step_weaker_when_a_check_fails(p, word, after):
    untouched = judge(p, STORES, checks(("Overlap", "passed", "")))
    assert untouched.verdict.word == word
    assert untouched.weakened_by == ()
    weaker = judge(p, STORES, FAILED)
    assert (weaker.verdict.word, weaker.verdict.direction) == after


def test_two_failures_weaken_by_one_step_and_both_are_named():
    judged = judge(0.995, STORES, FAILED)
    assert judged == Judged(Verdict(1, "very likely"), ("Overlap", "Calibration"))
    said = weakening_sentence(STORES, judged)
    assert "“Overlap” and “Calibration”" in said
    assert "checks of the answer failed" in said


def test_a_failure_bears_only_on_its_own_outcomes():
    assert failed_checks(FAILED, SURVIVAL) == ("Overlap",)
    assert failed_checks(FAILED, "spring strength") == ()
    assert judge(0.97, "spring strength", FAILED).verdict.word == "very likely"
    assert "a check of the answer failed" in weakening_sentence(
        SURVIVAL, judge(0.97, SURVIVAL, FAILED)
    )


def test_no_checks_at_all_weaken_nothing():
    none = pl.DataFrame(schema=CHECKS_SCHEMA)
    assert judge(0.97, STORES, none) == Judged(Verdict(1, "very likely"), ())
    assert weakening_sentence(STORES, judge(0.97, STORES, none)) == ""


def test_every_word_has_a_weaker_one_and_unclear_stays():
    words = [word for _, word in PROBABILITY_WORDS]
    assert list(WEAKER) == [*words, "unclear"]
    assert [WEAKER[w] for w in words] == [*words[1:], "unclear"]
    assert WEAKER["unclear"] == "unclear"
