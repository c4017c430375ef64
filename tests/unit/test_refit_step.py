"""Refits of a study: refused without a fit, made once, kept when stopped, made anew when old."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from models.refits import choices, sampling, subsets
from models.vocabulary import OUTCOMES
from pipeline import refit_step, runner
from pipeline.cli_refit import print_refits
from pipeline.errors import ModelError, NotConvergedError, StudyError
from pipeline.progress import SILENT
from pipeline.refit_step import refit_study
from pipeline.runner import is_current, step_fingerprint
from pipeline.settings import Settings, read_settings
from pipeline.study import Study
from tests.report_results import made_up_refit
from tests.report_study import write_study

MEANS = {"stores use": 3.0, "survival": 9.0, "spring strength": 0.6}


def note_run(path: Path, *, has_converged: bool = True) -> None:
    run = {"has_converged": has_converged, "attempts": [1, 2], "sha256": {"settings": "a"}}
    (path / "results" / "run.json").write_text(json.dumps(run), encoding="utf-8")


@pytest.fixture(scope="module")
def fitted(tmp_path_factory) -> Path:
    path = write_study(tmp_path_factory.mktemp("refit") / "study")
    note_run(path)
    return path


@pytest.fixture
def path(fitted, tmp_path, monkeypatch) -> Path:
    """A study with made-up results that count as those of a current fit."""
    shutil.copytree(fitted, tmp_path / "study")
    monkeypatch.setattr(runner, "is_current", lambda *_: True)
    return tmp_path / "study"


@pytest.fixture
def made(monkeypatch) -> list[str]:
    """Names of the refits that were sampled, in order; nothing is sampled in truth."""
    names: list[str] = []

    def fake(variation, pool, records, *_, is_shared):
        names.append(variation.name)
        if variation.name == "stop":
            raise KeyboardInterrupt
        return made_up_refit(variation.name, variation.check, MEANS).rows, {"divergences": 0}

    monkeypatch.setattr(sampling, "refit_pool", fake)
    return names


def test_a_study_without_a_fit_is_told_to_run_it(tmp_path):
    path = write_study(tmp_path / "study", kind="no fit")
    with pytest.raises(StudyError) as caught:
        refit_study(path, None, SILENT)
    assert "There is no fit" in caught.value.problem
    assert "winterpool run" in caught.value.mend


def test_a_fit_that_did_not_converge_is_refused(path):
    note_run(path, has_converged=False)
    with pytest.raises(NotConvergedError) as caught:
        refit_study(path, None, SILENT)
    assert "did not pass its gates" in caught.value.problem


def test_a_fit_out_of_date_is_refused(path, monkeypatch):
    monkeypatch.setattr(runner, "is_current", is_current)
    with pytest.raises(StudyError) as caught:
        refit_study(path, None, SILENT)
    assert "out of date" in caught.value.problem


def test_a_fit_without_an_answer_is_refused(path):
    table = path / "results" / "estimands.csv"
    refused = pl.read_csv(table).with_columns(status=pl.lit("cannot be estimated"))
    refused.write_csv(table)
    with pytest.raises(ModelError) as caught:
        refit_study(path, None, SILENT)
    assert "no answer to refit" in caught.value.problem


def test_an_unknown_name_gets_the_list(path):
    with pytest.raises(StudyError) as caught:
        refit_study(path, "doze", SILENT)
    assert "'doze'" in caught.value.problem
    for name in ("dose", "choices", "without_one", "no_mites", "complete_cases"):
        assert name in caught.value.mend


def test_a_finished_refit_is_kept_and_made_again_only_when_something_changed(path, made):
    assert refit_study(path, "dose", SILENT).made == ["dose"]
    assert refit_study(path, "dose", SILENT).made == []
    assert made == ["dose"]
    folder = path / "results" / "refits"
    kept = json.loads((folder / "dose.json").read_text())
    assert [row["outcome"] for row in kept["rows"]] == list(OUTCOMES)
    (path / "study.toml").write_text("[model]\nseed = 5\n")
    assert refit_study(path, "dose", SILENT).made == ["dose"]
    note = path / "results" / "run.json"
    note.write_text(note.read_text().replace('"a"', '"b"'))  # another fit
    assert refit_study(path, "dose", SILENT).made == ["dose"]
    (folder / "dose.json").write_text("{ broken")
    assert refit_study(path, "dose", SILENT).made == ["dose"]


@pytest.mark.parametrize("name", ["dose", "mites_from_counts"])
def test_another_model_is_fitted_though_the_records_stay_as_they_are(path, made, name):
    refit_study(path, name, SILENT)
    kept = json.loads((path / "results" / "refits" / f"{name}.json").read_text())
    assert made == [name]
    assert "is_same" not in kept


def test_what_was_done_before_a_stop_stays(path, made, monkeypatch):
    fitted = refit_step._load(Study(path), read_settings(Study(path).settings_path))
    first, second = subsets.subset_variations(fitted.pool)
    planned = [first, replace(second, name="stop")]
    autumn = made_up_refit("autumn_strength", "autumn_strength", {"autumn strength": 0.1}, sd=0.2)
    monkeypatch.setattr(subsets, "subset_variations", lambda _: planned)
    monkeypatch.setattr(subsets, "left_out_variations", lambda _: ([], 0))
    monkeypatch.setattr(choices, "choice_variations", list)
    monkeypatch.setattr(refit_step, "_evidence", lambda _: None)
    monkeypatch.setattr(refit_step, "_do_autumn", lambda *_: autumn)
    with pytest.raises(KeyboardInterrupt):
        refit_study(path, None, SILENT)
    names = {file.stem for file in (path / "results" / "refits").glob("*.json")}
    assert "complete_cases" in names
    assert "stop" not in names
    planned[1] = second
    summary = refit_study(path, None, SILENT)
    assert "drawn_by_lot" in summary.made
    assert made.count("complete_cases") == 1


def test_the_report_is_out_of_date_after_a_refit(path, made):
    study, settings = Study(path), Settings()
    before = step_fingerprint("report", study, settings)
    refit_study(path, "dose", SILENT)
    assert step_fingerprint("report", study, settings) != before


def test_the_table_on_stdout_has_every_refit_and_check(path, made, capsys):
    print_refits(refit_study(path, "complete_cases", SILENT))
    text = capsys.readouterr().out
    assert "complete_cases" in text
    assert "+3.00 (" in text
    assert "autumn_strength" in text
    assert "not run" in text
