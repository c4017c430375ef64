"""Apiaries beside the pool: places, raw differences, what is hidden, and values on hovering."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import polars as pl
import pytest

from models.apiary_effects import PART, SCHEMA
from reports.context import Pool, load_pool
from reports.figures import new_figure
from reports.figures_apiaries import (
    apiaries_alt,
    apiaries_figure,
    apiaries_marks,
    apiary_rows,
    not_drawn,
    pool_row,
    say_apiaries,
)
from reports.hover import Mark, overlay
from tests.report_study import write_study


def _row(place: int, raw: float | None, mean: float, members: int = 8, own: int = 6) -> dict:
    return {
        "outcome": "stores use",
        "place": place,
        "unit": "kg",
        "raw": raw,
        "mean": mean,
        "q2.5": mean - 2.0,
        "q25": mean - 0.5,
        "q75": mean + 0.5,
        "q97.5": mean + 2.0,
        "n_members": members,
        "n_members_raw": own,
    }


PLANTED = [_row(1, 9.0, 3.5), _row(2, None, 3.0), _row(3, -1.5, 2.5)]


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = write_study(tmp_path_factory.mktemp("apiaries") / "study", members=8)
    pl.DataFrame(PLANTED, SCHEMA).write_csv(path / "results" / "apiaries.csv")
    return path


@pytest.fixture(scope="module")
def pool(study: Path) -> Pool:
    return load_pool(study)


def test_the_file_of_the_fit_is_read(pool: Pool) -> None:
    rows = apiary_rows(pool, "stores use")
    assert rows["mean"].to_list() == [3.5, 3.0, 2.5]
    assert rows["raw"].to_list() == [9.0, None, -1.5]
    assert apiary_rows(pool, "survival").is_empty()


def test_few_members_show_no_apiary_and_few_with_both_levels_no_raw(pool: Pool) -> None:
    few = pl.DataFrame([_row(1, 9.0, 3.5, members=4)], SCHEMA)
    assert apiary_rows(replace(pool, apiaries=few), "stores use").is_empty()
    assert "fewer than 5 members" in not_drawn(replace(pool, apiaries=few))
    own = pl.DataFrame([_row(1, 9.0, 3.5, own=4)], SCHEMA)
    assert apiary_rows(replace(pool, apiaries=own), "stores use")["raw"].to_list() == [None]


def test_the_figure_shows_raw_pooled_and_the_pool(pool: Pool) -> None:
    rows, whole = apiary_rows(pool, "stores use"), pool_row(pool, "stores use")
    assert whole is not None
    [axes] = apiaries_figure(rows, whole).axes
    dots = [line.get_xdata()[0] for line in axes.lines if line.get_marker() == "o"]
    diamonds = [line.get_xdata()[0] for line in axes.lines if line.get_marker() == "D"]
    assert dots == [3.5, 3.0, 2.5]
    assert diamonds == [9.0, -1.5]
    assert axes.lines[0].get_xdata()[0] == whole["mean"]
    assert axes.get_ylim()[0] > axes.get_ylim()[1]  # the first place on top


def test_alt_text_and_marks_have_the_numbers(pool: Pool) -> None:
    rows, whole = apiary_rows(pool, "stores use"), pool_row(pool, "stores use")
    assert whole is not None
    said = apiaries_alt(rows, whole)
    assert "in each of 3 apiaries, in kg: partially pooled from +3.5 at the first" in said
    assert "raw differences of the 2 with both levels run from −1.5 to +9.0" in said
    marks = apiaries_marks(apiaries_figure(rows, whole), rows)
    assert [mark.words for mark in marks] == [
        "Place 1 of 3: own +9.0; partially pooled +3.5 (+1.5 to +5.5) kg",
        "Place 2 of 3: none of its own; partially pooled +3.0 (+1.0 to +5.0) kg",
        "Place 3 of 3: own −1.5; partially pooled +2.5 (+0.5 to +4.5) kg",
    ]


def test_the_page_has_an_image_marks_and_a_table_and_names_nobody(
    pool: Pool, capsys: pytest.CaptureFixture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    say_apiaries(pool)
    page = capsys.readouterr().out
    assert "![](figures/apiaries-stores-use.png){fig-alt=" in page
    assert page.count("<title>Place ") == 3
    assert "{#tbl-apiaries-stores-use}" in page
    assert not re.search(r"\b[AMH]\d\d\b", page)


def test_it_says_why_there_is_none(pool: Pool, capsys: pytest.CaptureFixture) -> None:
    bare = replace(pool, apiaries=pool.apiaries.clear())
    say_apiaries(bare)
    assert "winterpool fit" in capsys.readouterr().out
    row = {"part": PART, "is_included": False, "n_units": 0, "reason": "few apiaries have both"}
    without = replace(bare, parts=pl.DataFrame([row], bare.parts.schema))
    assert "because few apiaries have both" in not_drawn(without)
    assert "not been fitted" in not_drawn(replace(bare, parts=bare.parts.clear()))


def test_a_study_fitted_before_has_no_such_file(study: Path, tmp_path: Path) -> None:
    older = write_study(tmp_path / "study", members=3)
    assert load_pool(older).apiaries.is_empty()


def test_marks_lie_where_their_data_are_drawn() -> None:
    figure, [axes] = new_figure(4.0)
    axes.set(xlim=(0, 10), ylim=(0, 1))
    axes.set_position((0.1, 0.2, 0.8, 0.6))
    figure.set_layout_engine("none")
    marks = [
        Mark(axes, 'a "quoted" <b> & {python}', x=(0, 5), y=(0.5, 1)),
        Mark(axes, "whole"),
        Mark(axes, "down", x=(5, 10), down_to=axes),
    ]
    svg = ElementTree.fromstring(overlay(figure, marks, "3 values"))
    name = "{http://www.w3.org/2000/svg}"
    boxes = [
        tuple(float(rect.get(k) or "nan") for k in ("x", "y", "width", "height"))
        for rect in svg.iter(f"{name}rect")
    ]
    # 540 by 400 CSS pixels; the panel from 54 to 486 and, from the top, from 80 to 320
    assert boxes == [(54, 80, 216, 120), (54, 80, 432, 240), (270, 80, 216, 240)]
    titles = [title.text for title in svg.iter(f"{name}title")]
    assert titles == ['a "quoted" <b> & {python}', "whole", "down"]
    assert all(group.get("tabindex") == "0" for group in svg.iter(f"{name}g"))
    assert "{python}" not in overlay(figure, marks, "3 values")
