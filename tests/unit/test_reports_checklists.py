"""Reporting checklists: whole, placed in the report, filled from the study, honest about gaps."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from reports.checklists import (
    LISTS,
    NEEDS,
    checklist,
    checklist_sentence,
    load_checklist,
    section_titles,
)
from reports.checklists.facts import FACTS, design, finding
from reports.context import Pool, load_pool
from reports.tables import html_table
from reports.verdict import load_checks
from tests.report_study import write_study

ANCHORS = section_titles()


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    return load_pool(write_study(tmp_path_factory.mktemp("checklists") / "study", members=12))


def test_strobe_has_its_22_items() -> None:
    # von Elm and others 2007, PLoS Medicine 4(10):e296, table 1: 22 numbered items
    items = load_checklist("strobe")["items"]
    assert [item["number"] for item in items] == [str(n) for n in range(1, 23)]


def test_the_bayesian_guidelines_have_a_preamble_and_six_steps() -> None:
    # Kruschke 2021, table 1 of the article: a preamble of two points and steps 1 to 6; the number
    # of points of steps 3 to 6 is from memory
    steps = [item["number"] for item in load_checklist("barg")["items"]]
    assert steps == sorted(steps)
    assert {step: sum(s[0] == step for s in steps) for step in "0123456"} == {
        "0": 2, "1": 5, "2": 4, "3": 3, "4": 5, "5": 5, "6": 6,
    }  # fmt: skip


@pytest.mark.parametrize("name", LISTS)
def test_every_item_stands_somewhere_or_is_the_associations(name: str) -> None:
    given = load_checklist(name)
    assert re.search(r"\d{4}.*doi 10\.", given["source"])
    for item in given["items"]:
        assert set(item) <= {"number", "item", "place", "told", "needs", "yours"}
        assert item.keys() & {"told", "yours", "needs"}, item["number"]
        assert "place" in item or item.keys() == {"number", "item", "yours"}, item["number"]
        assert item.get("told", "a sentence") in FACTS or " " in item.get("told", "a sentence")
        assert item.get("place", "answer") in ANCHORS, item["number"]


def test_every_need_is_a_rule_or_a_check_that_exists() -> None:
    written = "".join(
        path.read_text(encoding="utf-8")
        for folder in ("checks", "refits")
        for path in Path(str(files("models"))).joinpath(folder).glob("*.py")
    )
    for name in LISTS:
        for item in load_checklist(name)["items"]:
            needs = item.get("needs", "records")
            assert needs in NEEDS or f'"{needs}"' in written, item["number"]


def test_numbers_are_the_studys(pool: Pool) -> None:
    told = dict(checklist(pool, "strobe").select("number", "told").iter_rows())
    assert told["13"].startswith(
        f"{pool.colony_winters.height} colony-winters spoken of, {pool.units.height} analysed"
    )
    assert f"survival {pool.units['is_alive'].count()}" in told["15"]
    assert told["1"].startswith("A study that observes: members chose the set-ups")
    asked = load_checks(pool).filter(pl.col("status") != "not run")
    assert told["17"].startswith(f"{asked.height} question") or told["17"].startswith("Not yet")


def test_kinds_of_study_are_told_apart(pool: Pool) -> None:
    def of(assignment: pl.Expr) -> str:
        return design(replace(pool, colony_winters=pool.colony_winters.with_columns(assignment)))

    assert of(pl.lit("randomised").alias("assignment")).startswith("A trial: all set-ups")
    is_half = pl.col("member_id") < "M06"
    mixed = pl.when(is_half).then(pl.lit("randomised")).otherwise(pl.lit("chosen"))
    share = 100 * pool.units.filter(is_half).height / pool.units.height
    assert f"with {share:.0f} % of set-ups by lot" in of(mixed.alias("assignment"))


def test_what_was_not_done_is_not_told(pool: Pool, tmp_path: Path) -> None:
    unfitted = replace(
        pool, estimands=pool.estimands.clear(), run={}, study=replace(pool.study, path=tmp_path)
    )
    told = dict(checklist(unfitted, "barg").select("number", "told").iter_rows())
    for number in ("2A", "2B", "3A", "3B", "4B", "5A", "5E", "6F"):
        assert told[number].startswith("Not yet: "), number
    assert finding(unfitted, "prediction").startswith("Not yet")
    strobe = dict(checklist(unfitted, "strobe").select("number", "told").iter_rows())
    assert strobe["16"] == "Not yet: no estimate stands behind this report."
    assert "speaks to 28 of" not in checklist_sentence(unfitted, "barg")


def test_a_list_counts_what_is_left(pool: Pool) -> None:
    filled = checklist(pool, "strobe")
    said = checklist_sentence(pool, "strobe")
    left = filled["yours"].count()
    assert f"of 22 items; {left} ask the association for words of its own." in said
    assert filled.row(by_predicate=pl.col("number") == "22", named=True)["told"] is None


def test_places_are_links(pool: Pool) -> None:
    filled = checklist(pool, "strobe")
    html = html_table(filled, {"number": "No.", "place": "Where"}, label="x")
    assert '<td><a href="#answer">The answer</a></td>' in html
    assert html.count("<a ") == filled["place"].drop_nulls().len()
