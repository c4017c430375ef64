"""The runner redoes a step when, and only when, something it depends on has changed."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline import runner
from pipeline.errors import NotConvergedError, StudyError
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings, read_settings
from pipeline.study import Study, new_study


@pytest.fixture
def study(tmp_path: Path) -> Study:
    made = new_study(tmp_path / "study")
    (made.inbox_path / "apiaries.csv").write_text("apiary_id,member_id\nhome,m1\n")
    (made.inbox_path / "colonies.csv").write_text("colony_id,apiary_id\nh1,home\n")
    load(made)
    return made


def load(study: Study) -> None:
    ingest_study(study, read_settings(study.settings_path), SILENT, date(2025, 1, 1))


def prepare(study: Study) -> runner.StepDone:
    return runner.do_step("prepare", study.path, SILENT, only_if_stale=True)


def test_a_step_runs_once_and_then_is_up_to_date(study):
    assert prepare(study).has_run
    assert not prepare(study).has_run


def test_a_new_file_makes_it_stale(study):
    prepare(study)
    (study.inbox_path / "stays.csv").write_text("colony_id,from_on,apiary_id\nh1,2023-05-01,home\n")
    load(study)
    assert prepare(study).has_run


def test_loading_the_same_again_does_not(study):
    prepare(study)
    load(study)
    assert not prepare(study).has_run


def test_a_setting_it_reads_makes_it_stale_and_others_do_not(study):
    prepare(study)
    study.settings_path.write_text("[model]\nseed = 5\n")
    assert not prepare(study).has_run
    study.settings_path.write_text("[winter]\ndegree_day_base_c = 8.0\n")
    assert prepare(study).has_run


def test_changed_code_makes_it_stale(study, monkeypatch):
    prepare(study)
    monkeypatch.setattr(runner, "code_fingerprint", lambda step: "other code")
    assert prepare(study).has_run


def test_a_lost_or_broken_note_only_costs_work(study):
    prepare(study)
    study.steps_path.write_text("{ not json")
    assert prepare(study).has_run


def test_code_fingerprints_differ_by_step_and_stay_the_same():
    prints = {step: runner.code_fingerprint(step) for step in runner.STEPS}
    assert len(set(prints.values())) == len(runner.STEPS)
    assert prints == {step: runner.code_fingerprint(step) for step in runner.STEPS}


def test_a_tables_fingerprint_sees_names_types_and_values():
    base = pl.DataFrame({"a": [1, 2]})
    others = [
        pl.DataFrame({"b": [1, 2]}),
        pl.DataFrame({"a": [1.0, 2.0]}),
        pl.DataFrame({"a": [1, 3]}),
        pl.DataFrame({"a": [2, 1]}),
    ]
    prints = {runner.table_fingerprint(frame) for frame in (base, *others)}
    assert len(prints) == 5
    assert runner.table_fingerprint(base) == runner.table_fingerprint(base.clone())


def test_a_step_before_its_input_says_what_to_do(tmp_path):
    empty = new_study(tmp_path / "empty")
    with pytest.raises(StudyError) as caught:
        runner.step_fingerprint("fit", empty, Settings())
    assert "Nothing has been loaded" in caught.value.problem


def test_a_fit_that_failed_its_gates_is_an_error_of_its_own(study):
    study.results_path.mkdir(exist_ok=True)
    run = study.results_path / "run.json"
    run.write_text('{"has_converged": true, "attempts": []}')
    runner.require_convergence(study.path)
    run.write_text('{"has_converged": false, "attempts": [1, 2, 3]}')
    with pytest.raises(NotConvergedError) as caught:
        runner.require_convergence(study.path)
    assert "2 attempts" in caught.value.problem
    assert caught.value.exit_code == 10
