"""What the report says of next winter: trials, draws, and what was done; nobody is named."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.precision_step import Asked, precision_study
from pipeline.progress import SILENT
from reports.context import load_pool
from reports.figures_trial import precision_alt, precision_figure
from reports.tables import FEW
from reports.trial_page import (
    done_table,
    draw_sentences,
    load_precision,
    precision_lines,
    say_draws,
    say_precision,
    smallest_lines,
)
from tests.report_study import write_study

ASKED = Asked((4, 8), (5, 10), (1, 2), {"survival": 20.0, "stores use": 0.01})


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = write_study(tmp_path_factory.mktemp("next") / "study", kind="no fit", members=6)
    precision_study(path, ASKED, SILENT)
    return path


@pytest.fixture
def run(asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return asked


def test_without_a_question_the_page_says_how_to_ask(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pool = load_pool(write_study(tmp_path / "study", kind="no fit", members=6))
    say_precision(pool)
    say_draws(pool)
    said = capsys.readouterr().out
    assert "winterpool precision STUDY" in said
    assert "winterpool assign STUDY" in said
    assert "fig-" not in said


def test_precision_is_shown_with_its_source_and_rule(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    say_precision(load_pool(run))
    said = capsys.readouterr().out
    assert "assumptions before any record" in said
    assert "because there is no fit yet" in said
    assert "89 % interval leaves out zero" in said
    for label in ("#fig-trial-precision", "#tbl-trial-smallest", "#tbl-trial-sizes"):
        assert label in said
    assert Path("figures/trial-precision.png").stat().st_size > 10_000


def test_precision_of_an_earlier_fit_is_not_shown(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    later = write_study(tmp_path / "later", members=6)
    for name in ("precision.csv", "precision_smallest.csv", "precision_run.json"):
        (later / "results" / name).write_bytes((run / "results" / name).read_bytes())
    say_precision(load_pool(later))
    said = capsys.readouterr().out
    assert "before the last fit" in said
    assert "fig-" not in said


def test_tables_hold_every_size_and_every_width_asked(run: Path) -> None:
    table, smallest, _ = load_precision(load_pool(run))
    rows = table.filter(pl.col("target") == table["target"][-1])
    lines = precision_lines(rows)
    assert lines.height == 8
    assert lines["colony_winters"].to_list() == [20, 40, 40, 80, 40, 80, 80, 160]
    assert all("%" in cell for cell in lines["survival"])
    asked = smallest_lines(smallest)
    assert asked.height == 4
    hopeless = asked.filter(pl.col("outcome") == "stores use")["size"]
    assert all(size.startswith("none of these") for size in hopeless)


def test_the_figure_has_a_panel_for_each_outcome_and_number_of_winters(run: Path) -> None:
    table, _, _ = load_precision(load_pool(run))
    rows = table.filter(pl.col("target") == table["target"][-1])
    figure = precision_figure(rows)
    assert len(figure.axes) == 3 * 2
    assert "20 colony-winters" in precision_alt(rows)
    assert "160 colony-winters" in precision_alt(rows)


def test_draws_are_told_without_small_counts_or_markup() -> None:
    plain = {
        "winter": 2026,
        "number": 1,
        "is_last": False,
        "recorded_at": "2026-10-01T08:00:00+00:00",
        "seed": "9007199254740991",
        "levels": "none, full",
        "n_units": 40,
        "n_apiaries": 9,
        "n_members": 8,
    }
    again = plain | {"number": 2, "is_last": True, "n_members": 3, "levels": "<b>none"}
    first, second = draw_sentences(pl.DataFrame([plain, again]), 5)
    assert "2026/27, draw 1: 40 colonies in 9 apiaries" in first
    assert "9007199254740991" in first
    assert "no longer counts" in first
    assert "40 colonies" not in second
    assert "made again" in second
    assert "\\<b\\>none" in second


def test_what_was_done_hides_small_cells() -> None:
    counts = pl.DataFrame(
        {
            "winter": [2026] * 4,
            "drawn": ["full", "full", "none", "none"],
            "done": ["full", "top", "none", "not known"],
            "n_units": [40, 2, 38, 9],
            "n_members": [12, 2, 12, 6],
        }
    )
    table = done_table(counts, 5)
    assert table["n"].to_list() == ["40", FEW, "38", FEW]


def test_draws_and_what_was_done_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_study(tmp_path / "study", kind="no fit", members=6)
    (path / "results").mkdir(exist_ok=True)
    (path / "results" / "trial_draws.csv").write_text(
        "winter,number,is_last,recorded_at,version,seed,levels,n_units,n_apiaries,n_members\n"
        '2026,1,true,2026-10-01T08:00:00+00:00,1,7,"none, full",40,9,8\n',
        encoding="utf-8",
    )
    (path / "results" / "trial.csv").write_text(
        "winter,drawn,done,n_units,n_members\n2026,full,full,20,8\n2026,none,none,20,8\n",
        encoding="utf-8",
    )
    say_draws(load_pool(path))
    said = capsys.readouterr().out
    assert "seed 7" in said
    assert "#tbl-trial-done" in said
