"""Numbers to words, and the sentences of the answer."""

from __future__ import annotations

import json

import polars as pl
import pypandoc
import pytest

from reports.context import RESULT_SCHEMAS
from reports.wording import (
    PROBABILITY_WORDS,
    answer_sentences,
    because,
    chance,
    headline_contrast,
    markdown_text,
    number,
    signed,
    verdict,
)


def estimand(outcome: str, contrast: str = "full vs none", **changes: object) -> dict:
    row = {
        "outcome": outcome,
        "contrast": contrast,
        "measure": "difference",
        "unit": {"stores use": "kg", "survival": "points"}.get(outcome, "frames"),
        "subgroup": "all",
        "horizon": "these winters",
        "population": "",
        "mean": 3.0,
        "sd": 0.5,
        "q2.5": 2.0,
        "q5.5": 2.2,
        "q25": 2.7,
        "q50": 3.0,
        "q75": 3.3,
        "q94.5": 3.8,
        "q97.5": 4.0,
        "p_benefit": 0.97,
        "n_units": 100,
        "n_members": 10,
        "status": "estimated",
        "reason": None,
    }
    return {**row, **changes}


def frame(*rows: dict) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=RESULT_SCHEMAS["estimands"])


NO_PARTS = pl.DataFrame(schema=RESULT_SCHEMAS["parts"])


def test_words_follow_the_one_table_in_both_directions() -> None:
    for least, word in PROBABILITY_WORDS:
        assert verdict(least).word == word
        assert verdict(least).direction == 1
        assert verdict(1 - least - 1e-9).word == word
        assert verdict(1 - least - 1e-9).direction == -1
    assert verdict(0.5).direction == 0
    assert verdict(0.7999).word == "unclear"


def test_numbers_have_a_true_minus_and_no_negative_zero() -> None:
    assert number(-0.04, 1) == "0.0"
    assert signed(-12.34, 1) == "−12.3"
    assert signed(0.004, 2) == "0.00"
    assert number(float("nan")) == "–"
    assert number(1234567) == "1\u202f234\u202f567"


def test_a_benefit_is_told_as_a_positive_amount_in_its_direction() -> None:
    [sentence, unclear] = answer_sentences(
        frame(
            estimand("stores use"),
            estimand("survival", mean=4.0, p_benefit=0.6, **{"q2.5": -5.0, "q97.5": 13.0}),
            estimand(
                "spring strength", mean=-0.5, p_benefit=0.005, **{"q2.5": -0.9, "q97.5": -0.1}
            ),
        ),
        NO_PARTS,
    )
    assert (
        "very likely used less of their stores, by 3.0\u00a0kg (95\u00a0% interval 2.0 to 4.0)"
        in sentence
    )
    assert "almost certainly had fewer bees in spring, by 0.5\u00a0frames" in sentence
    assert unclear.startswith("It is unclear whether")
    assert "+4.0 percentage points gained (95\u00a0% interval −5.0\u00a0to\u00a0+13.0)" in unclear


def test_the_answer_is_called_an_estimate_of_the_model() -> None:
    [told] = answer_sentences(frame(estimand("survival"), *blocked("no weighings")), NO_PARTS)[:1]
    assert told.startswith("By the model’s estimate, colonies in fully insulated hives, compared")


def blocked(reason: str) -> list[dict]:
    return [
        estimand(o, status="cannot be estimated", reason=reason)
        for o in ("stores use", "spring strength")
    ]


def test_a_probability_is_never_rounded_up_to_its_word() -> None:
    # 98.8 % is "very likely": shown as 99 % it would contradict the table of words
    assert (chance(0.988), verdict(0.988).word) == ("98.8", "very likely")
    assert (chance(0.99951), chance(1.0)) == (">\u00a099.9",) * 2
    assert (chance(0.0004), chance(None)) == ("<\u00a00.1", "–")


def test_an_interval_that_crosses_zero_says_what_that_means() -> None:
    row = estimand("stores use", p_benefit=0.9, **{"q2.5": -0.6})
    [sentence] = answer_sentences(frame(row, *others("estimated")), NO_PARTS)[:1]
    assert "95\u00a0% interval −0.6 to 4.0; below 0 is the opposite" in sentence


def others(status: str) -> list[dict]:
    return [estimand(o, status=status) for o in ("survival", "spring strength")]


def test_no_number_is_told_for_what_cannot_be_estimated() -> None:
    rows = [
        estimand(o, status="cannot be estimated", reason="no set-ups were recorded.", mean=None)
        for o in ("stores use", "survival", "spring strength")
    ]
    assert answer_sentences(frame(*rows), NO_PARTS) == [
        "What insulation did to stores use, survival and spring strength cannot be estimated from "
        "these records, because no set-ups were recorded."
    ]


def test_a_part_that_did_not_converge_is_told_and_has_no_number() -> None:
    rows = [estimand("stores use", status="not converged"), *others("estimated")]
    told = answer_sentences(frame(*rows), NO_PARTS)
    assert told[-1] == "For stores use the sampler did not converge, so no number is given."
    assert "kg" not in " ".join(told)


def test_an_outcome_left_out_of_the_model_is_told_with_its_reason() -> None:
    parts = pl.DataFrame(
        [{"part": "stores use", "is_included": False, "n_units": 0, "reason": "No weighings."}],
        schema=RESULT_SCHEMAS["parts"],
    )
    told = answer_sentences(frame(*others("estimated")), parts)
    assert (
        "What insulation did to stores use cannot be estimated from these records, because "
        "no weighings." in told
    )


def test_without_a_fit_the_answer_says_so() -> None:
    [told] = answer_sentences(frame(), NO_PARTS)
    assert "not been fitted" in told


def test_the_headline_falls_back_to_the_fullest_level_that_could_be_estimated() -> None:
    rows = [
        estimand("survival", "full vs none", status="cannot be estimated"),
        estimand("survival", "top vs none"),
    ]
    assert headline_contrast(frame(*rows)) == "top vs none"
    assert headline_contrast(frame()) == "full vs none"


@pytest.mark.parametrize(
    "reason",
    [
        "no set-ups.",
        "because no set-ups",
        "Cannot be estimated from these records, because no set-ups.",
    ],
)
def test_reasons_are_not_said_twice(reason: str) -> None:
    assert because(reason) == "cannot be estimated from these records, because no set-ups"


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        "**a** _b_ `c` [d](http://a.test) ![e](f.png)",
        "@fig-x {{< include x >}} ::: $x^2$ ~a~ \\n",
        "1. - # > | a | b |",
        '"quoted" -- it\'s...',
    ],
)
def test_escaped_text_comes_out_of_pandoc_as_it_went_in(text: str) -> None:
    plain = pypandoc.convert_text(
        f"x {markdown_text(text)}", "json", format="markdown-implicit_figures"
    )
    document = json.loads(plain)
    [paragraph] = document["blocks"]
    pieces = [{"Str": p.get("c"), "Space": " ", "SoftBreak": " "}[p["t"]] for p in paragraph["c"]]
    assert "".join(pieces) == f"x {text}"
