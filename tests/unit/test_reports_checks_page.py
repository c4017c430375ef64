"""The page of checks: every status readable without colour, members by rank alone."""

from __future__ import annotations

import polars as pl
import pytest

from models.checks import write_checks
from models.checks.base import About
from models.e_values import bias_grid
from reports.checks_page import check_list, checks_sentence, say_checks
from reports.context import load_pool
from reports.verdict import load_checks
from tests.report_study import write_study

STORES = "stores use"


@pytest.fixture(scope="module")
def pool(tmp_path_factory):
    path = write_study(tmp_path_factory.mktemp("checks") / "study")
    prediction = pl.DataFrame(
        {
            "outcome": [STORES] * 3,
            "by": ["level", "winter", "member"],
            "group": ["full", "2023", "member 1"],
            "n": [40, 60, 12],
            "observed": [14.25, 15.5, 77.77],
            "low": [13.0, 14.0, 10.0],
            "high": [15.0, 16.0, 20.0],
            "is_inside": [True, True, False],
            "p_value": [0.5, 0.4, 0.001],
        }
    )
    influence = pl.DataFrame(
        {
            "left_out": ["member"] * 7,
            "rank": list(range(1, 8)),
            "outcome": [STORES] * 7,
            "n_units": [12] * 7,
            "shift_sd": [0.61, -0.5, 0.4, 0.3, 0.2, 0.1, None],
            "k": [0.4] * 6 + [1.3],
            "note": [""] * 6 + ["needs a refit"],
        }
    )
    overlap = pl.DataFrame(
        {
            "level": ["top", "full"],
            "covariate": ["cold [K]", "cold [K]"],
            "mean": [11.0, 12.0],
            "mean_none": [11.5, 11.5],
            "difference_sd": [-0.2, 0.3],
        }
    )
    grid = bias_grid(1.2, 1.05, 1.4).select(pl.lit("ratio of surviving").alias("answer"), pl.all())
    write_checks(
        [
            About("prediction", "Predictions", "Would it?").judged((), "Yes.", prediction, "Rule."),
            About("influence", "Influence", "Who?").judged((STORES,), "One does.", influence, ""),
            About("overlap", "Likeness", "Alike?").informational("So so.", overlap),
            About("hidden_confounder", "Hidden", "How?").informational("So strong.", grid),
            About("mite_methods", "Mites", "Agree?").not_run("Ask members to count both ways."),
        ],
        path / "results",
    )
    return load_pool(path)


def test_the_list_shows_each_status_by_a_mark_and_a_word(pool):
    listed = check_list(load_checks(pool))
    assert listed["mark"].to_list() == [
        "✓ passed",
        "✗ failed",
        "○ informational",
        "○ informational",
        "– not run",
    ]
    assert listed["bears_on"].to_list() == ["", STORES, "", "", ""]
    said = checks_sentence(load_checks(pool))
    assert said == "Of 5 checks of the answer, 1 passed, 1 failed, 2 informational and 1 not run."


def test_the_page_says_all_and_shows_no_member_but_by_rank(pool, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    say_checks(pool)
    text = capsys.readouterr().out
    for word in ("Predictions", "Ask members to count both ways", "One does", "✗ failed"):
        assert word in text
    assert "14.25" in text
    assert "77.77" not in text  # a single member's mean
    assert "member 1" not in text
    assert "0.61" in text
    assert text.count('fig-alt="Invented data: ') == 3
    assert len(list((tmp_path / "figures").glob("check-*.png"))) == 3


def test_without_checks_the_page_says_how_to_run_them(tmp_path, capsys):
    pool = load_pool(write_study(tmp_path / "study"))
    say_checks(pool)
    assert "winterpool fit STUDY" in capsys.readouterr().out
