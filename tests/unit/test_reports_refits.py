"""The report with refits and without: the list, the specification curve, what was not checked."""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl
import pytest

from models.refits.choices import choice_variations
from pipeline.errors import RenderError
from pipeline.refit_step import write_refits
from reports.answer import limits
from reports.checks_page import check_list, load_table, say_checks
from reports.context import load_pool
from reports.refits_page import figure_choices, shown_refits, unchecked_sentences
from reports.verdict import failed_checks, judge, load_checks
from tests.report_results import made_up_refit
from tests.report_study import write_study

MEANS = {"stores use": 3.0, "survival": 9.0, "spring strength": 0.6}


def add_refits(study: Path, *, is_whole: bool) -> None:
    """Write refits of the study: the choice of mites left out moves spring strength."""
    founds = []
    for variation in choice_variations():
        means = dict(MEANS)
        if variation.name == "no_mites":
            means["spring strength"] = 2.0
        if variation.name == "own_cold":
            means = {"stores use": 3.2}
        founds.append(made_up_refit(variation.name, "choices", means, sd=0.4, reason="No <b>."))
    if is_whole:
        founds.append(made_up_refit("dose", "dose", MEANS, sd=0.4))
        told = {"kind": "member", "rank": 1, "n_left_out": 77, "of": 12}
        founds.append(made_up_refit("without_one_1", "without_one", MEANS, sd=0.4, told=told))
        autumn = {"autumn strength": 0.1}
        founds.append(made_up_refit("autumn_strength", "autumn_strength", autumn, sd=0.2))
    estimands = pl.read_csv(study / "results" / "estimands.csv", infer_schema_length=None)
    write_refits(study / "results" / "refits", "of this fit", estimands, founds, None)


@pytest.fixture(scope="module")
def path(tmp_path_factory) -> Path:
    return write_study(tmp_path_factory.mktemp("refits") / "study")


@pytest.fixture(scope="module")
def pool(path, tmp_path_factory):
    copy = tmp_path_factory.mktemp("with refits") / "study"
    shutil.copytree(path, copy)
    add_refits(copy, is_whole=True)
    return load_pool(copy)


def test_refits_stand_in_the_list_with_the_other_checks(pool):
    listed = check_list(load_checks(pool))
    marks = dict(listed.select("name", "mark").iter_rows())
    assert marks == {
        "complete_cases": "– not run",
        "drawn_by_lot": "– not run",
        "choices": "✗ failed",
        "dose": "✓ passed",
        "mites_from_counts": "– not run",
        "autumn_strength": "✓ passed",
        "without_one": "○ informational",
    }


def test_a_failed_refit_weakens_the_words_of_its_outcome_alone(pool):
    checks = load_checks(pool)
    assert failed_checks(checks, "spring strength") == ("Other defensible choices",)
    assert judge(0.97, "spring strength", checks).verdict.word == "probably"
    assert judge(0.97, "stores use", checks).verdict.word == "very likely"


def test_the_choices_are_one_figure_and_one_table(pool, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    say_checks(pool)
    text = capsys.readouterr().out
    assert text.count("::: {#fig-check-choices}") == 1
    assert text.count("::: {#tbl-check-choices}") == 1
    assert (tmp_path / "figures" / "check-choices.png").exists()
    for words in ("mites left out", "degree-days: base 5 K lower", "the study&#x27;s own"):
        assert words in text
    assert "+2.0 (" in text
    assert "cannot be estimated" in text
    assert "77" not in text  # how many the one left out had sent
    assert "<b>" not in text.replace("<b>No", "")


def test_the_table_has_a_row_a_choice_and_says_the_status_where_there_is_no_number(pool):
    table = shown_refits("choices", load_table(pool, "choices"))
    assert table.height == len(choice_variations()) + 1
    [own] = table.filter(pl.col("words") == "cold between the own weighings").to_dicts()
    assert own["survival"] == "cannot be estimated"
    assert own["stores use"].startswith("+3.2 (")
    assert own["r_hat"] == 1.01
    assert own["n_units"] == 200
    [largest] = table.filter(pl.col("words") == "without the largest member").to_dicts()
    assert largest["n_units"] is None  # one member's records would follow by subtraction


def test_the_figure_says_in_words_what_it_shows(pool):
    figure, alt = figure_choices(load_table(pool, "choices"))
    assert len(figure.axes) == 3
    assert f"{len(choice_variations())} other choices" in alt
    assert "spring strength: own +0.6 frames, over all choices +0.6 to +2.0" in alt
    lines = {
        marker for axes in figure.axes for line in axes.lines for marker in [line.get_marker()]
    }
    assert {"D", "s", "o"} <= lines  # own, moved and others differ in shape


def test_what_was_not_checked_follows_what_has_been_run(path, pool, tmp_path):
    without = " ".join(unchecked_sentences(load_pool(path)))
    assert "`winterpool refit STUDY` makes them" in without
    some = " ".join(unchecked_sentences(pool))
    assert "“Set\\-ups drawn by lot” and “Mites from counts alone”; each says why" in some
    assert "winterpool refit" not in some


def test_the_first_page_says_whether_other_rules_were_tried(path, pool):
    assert "other rules for levels and winters were not tried" in " ".join(limits(load_pool(path)))
    assert "other rules for levels and winters were tried too" in " ".join(limits(pool))


def test_a_table_of_another_version_is_refused_in_words(path, tmp_path):
    copy = tmp_path / "study"
    shutil.copytree(path, copy)
    add_refits(copy, is_whole=True)
    table = copy / "results" / "refits" / "dose.csv"
    pl.read_csv(table).drop("is_moved").write_csv(table)
    with pytest.raises(RenderError, match="has no column 'is_moved'"):
        load_table(load_pool(copy), "dose")
