"""``winterpool precision``: what it reads, refuses and writes."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from models.trial.precision import PRECISION_SCHEMA
from pipeline.cli import app
from pipeline.errors import StudyError
from pipeline.precision_step import (
    Asked,
    fit_digest,
    parse_numbers,
    parse_widths,
    precision_study,
)
from pipeline.progress import SILENT
from pipeline.study import new_study
from tests.report_study import write_study

ASKED = Asked((4, 9), (5,), (1, 2), {"survival": 15.0})


def test_without_a_fit_the_priors_speak_and_say_so(tmp_path: Path) -> None:
    study = new_study(tmp_path / "study")
    found = precision_study(study.path, ASKED, SILENT)
    assert found.run["why_priors"] == "there is no fit yet"
    assert set(found.run["sources"].values()) == {"priors"}
    kept = pl.read_csv(study.results_path / "precision.csv", schema_overrides=PRECISION_SCHEMA)
    assert kept.shape == (3 * 2 * 4, len(PRECISION_SCHEMA))
    assert kept["width"].to_list() == pytest.approx(found.table["width"].to_list())
    assert pl.read_csv(study.results_path / "precision_smallest.csv").height == 2 * 2
    run = json.loads((study.results_path / "precision_run.json").read_text(encoding="utf-8"))
    assert run["fit_sha256"] == fit_digest(study.results_path) == ""
    assert precision_study(study.path, ASKED, SILENT).table.equals(found.table)


def test_a_fit_that_did_not_converge_is_left_out_and_one_out_of_date_refused(
    tmp_path: Path,
) -> None:
    open_one = write_study(tmp_path / "open", kind="not converged", members=6)
    found = precision_study(open_one, ASKED, SILENT)
    assert found.run["why_priors"] == "the last fit did not converge"
    stale = write_study(tmp_path / "stale", members=6)
    with pytest.raises(StudyError, match="out of date"):
        precision_study(stale, ASKED, SILENT)
    assert not (stale / "results" / "precision.csv").exists()
    found = precision_study(stale, ASKED, SILENT, is_prior_wanted=True)
    assert found.run["why_priors"] == "it was asked for"
    assert found.run["fit_sha256"] == fit_digest(stale / "results") != ""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "There is no number of colonies"),
        ("4,x", "'x' is not a possible number"),
        ("1", "'1' is not a possible number"),
        ("4,-8", "'-8' is not a possible number"),
        ("²", "'²' is not a possible number"),
        ("1e9", "'1e9' is not a possible number"),
        ("1000000", "'1000000' is not a possible number"),
    ],
)
def test_numbers_that_cannot_be_are_told(text: str, said: str) -> None:
    with pytest.raises(StudyError, match=said):
        parse_numbers(text, "colonies", 2)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("honey=3", "'honey' is not an outcome"),
        ("survival=3,survival=4", "stands twice"),
        ("survival", "'' is not a width"),
        ("survival=-3", "'-3' is not a width"),
        ("survival=nan", "'nan' is not a width"),
        ("survival=inf", "'inf' is not a width"),
    ],
)
def test_widths_that_cannot_be_are_told(text: str, said: str) -> None:
    with pytest.raises(StudyError, match=said):
        parse_widths(text)


def test_the_command_prints_the_grid_and_the_smallest_pools(tmp_path: Path) -> None:
    study = new_study(tmp_path / "study")
    asked = ["precision", str(study.path), "--colonies", "4,8", "--apiaries", "5", "--winters", "2"]
    done = CliRunner().invoke(app, [*asked, "--width", "survival=30,stores=0.01", "--quiet"])
    assert done.exit_code == 0, done.output
    assert "From the priors alone, because there is no fit yet." in done.output
    lines = [line.split()[:4] for line in done.output.splitlines()]
    assert ["2", "5", "4", "40"] in lines
    assert ["2", "5", "8", "80"] in lines
    assert "none:" in done.output
    assert "89 % interval leaves out zero" in done.output
