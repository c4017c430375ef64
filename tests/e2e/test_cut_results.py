"""A result that a power cut has cut off is found, told, and made again: never shown as it is."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from pipeline.progress import SILENT
from pipeline.refit_step import write_refits
from pipeline.runner import do_step, is_current
from pipeline.settings import read_settings
from pipeline.study import Study
from tests.e2e.conftest import run_here
from tests.killing import copied
from tests.report_results import estimands_of, made_up_refit
from tests.tiny_study import tiny_study


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A study without set-ups, fitted: nothing is sampled, so that its fit is quick."""
    made = tiny_study(tmp_path_factory.mktemp("cut") / "study", is_sampled=False)
    do_step("fit", made.path, SILENT)
    return made


@pytest.fixture
def study(fitted: Study, tmp_path: Path) -> Study:
    return copied(fitted, tmp_path / "study")


def cut(path: Path) -> bytes:
    """Cut a file in half and return what it was."""
    content = path.read_bytes()
    assert len(content) > 1, path
    os.truncate(path, len(content) // 2)
    return content


def results(study: Study) -> list[Path]:
    found = [path for path in study.results_path.rglob("*") if path.is_file()]
    return [path for path in found if path != study.steps_path]


def is_fit_current(study: Study) -> bool:
    return is_current("fit", study, read_settings(study.settings_path))


def test_each_cut_result_is_found_and_told(study: Study) -> None:
    assert is_fit_current(study)
    for path in results(study):
        content = cut(path)
        assert not is_fit_current(study), path
        done = run_here("report", study.path, "--quiet")
        assert done.returncode == 3, path
        assert f"{path} is not as winterpool fit wrote it" in done.stderr
        assert f"Run: winterpool fit {study.path}." in done.stderr
        path.write_bytes(content)
    assert is_fit_current(study)


def test_cut_results_are_made_again(study: Study) -> None:
    before = {path: cut(path) for path in results(study)}
    cut(study.steps_path)
    done = run_here("fit", study.path, "--quiet")
    assert done.returncode == 0, done.stderr
    run = study.results_path / "run.json"  # says when, and how long it took
    for path in before.keys() - {run}:
        assert path.read_bytes() == before[path], path
    assert json.loads(run.read_text())["sha256"] == json.loads(before[run])["sha256"]
    assert is_fit_current(study)


@pytest.mark.slow
def test_a_cut_page_is_written_again_by_the_next_run(study: Study) -> None:
    assert run_here("run", study.path, "--quiet").returncode == 0
    page = cut(study.report_page)
    done = run_here("run", study.path, "--quiet")
    assert "fit: up to date" in done.stdout and "report: done" in done.stdout
    assert study.report_page.read_bytes() == page


def test_a_cut_precision_is_told_and_can_be_taken_away(study: Study) -> None:
    asked = ("--colonies", "4", "--apiaries", "5", "--winters", "1", "--quiet")
    assert run_here("precision", study.path, *asked).returncode == 0
    for name in ("precision.csv", "precision_run.json"):
        content = cut(study.results_path / name)
        done = run_here("report", study.path, "--quiet")
        assert done.returncode == 3
        assert f"{name} is not as winterpool precision wrote it" in done.stderr
        assert "or take away the files named precision" in done.stderr
        (study.results_path / name).write_bytes(content)


def test_cut_refits_are_told(study: Study) -> None:
    founds = [made_up_refit("dose", "dose", {"survival": 0.1}, sd=0.2)]
    folder = study.results_path / "refits"
    write_refits(folder, "a", estimands_of({"survival": 0.1}, 0.2), founds, None)
    for name in ("dose.json", "checks.csv", "written.json"):
        content = cut(folder / name)
        done = run_here("report", study.path, "--quiet")
        assert done.returncode == 3
        assert f"{name} is not as winterpool refit wrote it" in done.stderr
        (folder / name).write_bytes(content)
