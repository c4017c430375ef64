"""Ctrl-C while a long step is under way: a sentence, exit code 130, and all as it was."""

from __future__ import annotations

import shutil
import signal
import sys

import pytest

from pipeline.store import Store
from pipeline.study import Study
from tests.e2e.conftest import DemoRun, at_work, run_winterpool

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="sends SIGINT as a terminal does")


@pytest.fixture(scope="module")
def study(demo_run: DemoRun, tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A copy of the small demonstration; every stop must leave it fit for the next one."""
    made = Study(tmp_path_factory.mktemp("stopped") / "study")
    shutil.copytree(demo_run.path, made.path)
    return made


def results(study: Study) -> dict[str, bytes]:
    paths = [path for path in study.results_path.rglob("*") if path.is_file()]
    found = {path.name: path.read_bytes() for path in paths}
    return found | {study.report_page.name: study.report_page.read_bytes()}


def derived(study: Study) -> list[tuple[object, ...]]:
    with Store.open(study.store_path, read_only=True) as store:
        return store.table("colony_winters").rows()


@pytest.mark.parametrize(
    ("step", "sign"),
    [
        ("run", "loading rows"),
        ("prepare", "deriving"),
        ("fit", "compiling"),
        ("fit", "sampling"),  # the sampler swallows Ctrl-C and returns the draws made so far
        ("report", "writing"),
    ],
)
def test_a_step_stopped_by_keyboard_leaves_everything_as_it_was(
    study: Study, step: str, sign: str
) -> None:
    before, rows = results(study), derived(study)
    with at_work(step, study.path, sign) as process:
        process.send_signal(signal.SIGINT)
        said = process.stderr.read() if process.stderr else ""
        assert process.wait(timeout=120) == 130, said
    problem, mend = said.splitlines()[-2:]
    assert problem.startswith("winterpool: Stopped.")
    assert mend == "Give the same command again to go on."
    assert "Traceback" not in said
    assert results(study) == before
    assert derived(study) == rows
    with Store.open(study.store_path):  # the lock is free
        pass


def test_a_study_that_was_stopped_is_up_to_date(study: Study) -> None:
    status = run_winterpool("status", study.path)
    assert status.returncode == 0, status.stderr
    assert "out of date" not in status.stdout
