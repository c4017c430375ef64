"""Languages: every file says all that English says, and writes numbers and dates its own way."""

from __future__ import annotations

import string
from datetime import date

import pytest

from pipeline.contracts import load_contracts
from pipeline.errors import StudyError
from pipeline.languages import languages, words
from pipeline.recognise import plain_heading

OTHERS = [code for code in languages() if code != "en"]


def _names(phrase: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(phrase) if name}


def test_english_comes_first_and_french_is_there() -> None:
    assert languages()[0] == "en"
    assert "fr" in languages()


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_has_every_phrase_with_the_same_names_to_fill(code: str) -> None:
    english, other = words("en"), words(code)
    assert other.phrases.keys() == english.phrases.keys()
    assert other.vocabulary.keys() >= english.vocabulary.keys()
    for key, phrase in english.phrases.items():
        assert _names(other.phrases[key]) == _names(phrase), key
        assert other.phrases[key].strip()


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_heads_every_column_and_names_every_record(code: str) -> None:
    other = words(code)
    columns = {column for contract in load_contracts().values() for column in contract.columns}
    assert set(other.headings) == columns
    assert set(other.records) == set(load_contracts())
    assert set(other.descriptions) <= columns
    assert len(set(other.records.values())) == len(other.records)
    assert all(len(name) <= 31 for name in other.records.values())  # a sheet's name holds no more


def test_no_heading_of_one_language_is_another_column_of_the_same_record() -> None:
    for contract in load_contracts().values():
        meant: dict[str, str] = {name: name for name in contract.columns}
        for code in OTHERS:
            for column in contract.columns:
                heading = plain_heading(words(code).headings[column])
                assert meant.setdefault(heading, column) == column, (contract.name, heading)


def test_numbers_and_dates_by_language() -> None:
    en, fr = words("en"), words("fr")
    assert (en.number(1234567.891, 2), fr.number(1234567.891, 2)) == (
        "1\u202f234\u202f567.89",
        "1\u202f234\u202f567,89",
    )
    assert (fr.number(None), fr.number(float("nan"), 1)) == ("–", "–")
    assert (fr.number(-0.04, 1), fr.number(2.25, 1, signed=True)) == ("0,0", "+2,2")
    assert fr.quantity(-3.21, "degC", 1) == "−3,2\u00a0°C"
    assert en.date(date(2024, 8, 3)) == "3 August 2024"
    assert fr.date(date(2024, 8, 3)) == "3 août 2024"
    assert fr.winter(1999) == "1999/00"


def test_a_blank_before_a_french_colon_does_not_break() -> None:
    assert "\u00a0:" in words("fr")("member.alt_row", winter="2023/24", own="5", others="6")


def test_an_unknown_language_is_refused_with_those_there_are() -> None:
    with pytest.raises(StudyError) as caught:
        words("xx")
    assert "en, fr" in caught.value.mend
