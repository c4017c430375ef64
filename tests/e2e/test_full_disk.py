"""A disk that fills up during a step: a sentence, exit code 7, and everything as it was."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.store import Store
from pipeline.study import Study
from tests.e2e.conftest import run_here, run_winterpool
from tests.killing import ingest, study_with_files
from tests.table_hashes import table_hashes

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="file size limits are set the POSIX way"
)
WITH_LIMIT = """
import resource, signal, sys
limit = int(sys.argv.pop(1))
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from pipeline.cli import main
main()
"""
OUTCOMES = "colony_id,winter,checked_on,state\nh1,2022,2023-04-20,{state}\n"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A study without set-ups, run to its end: nothing is sampled, so that its fit is quick."""
    made = Study(tmp_path_factory.mktemp("full") / "study")
    assert run_here("new", made.path).returncode == 0
    (made.inbox_path / "apiaries.csv").write_text("apiary_id,member_id\nhome,m1\n")
    (made.inbox_path / "colonies.csv").write_text("colony_id,apiary_id\nh1,home\n")
    (made.inbox_path / "outcomes.csv").write_text(OUTCOMES.format(state="alive"))
    done = run_here("run", made.path, "--quiet")
    assert done.returncode == 0, done.stderr
    return made


def files(study: Study) -> dict[str, bytes]:
    paths = [path for path in study.results_path.rglob("*") if path.is_file()]
    found = {path.name: path.read_bytes() for path in paths}
    return found | {study.report_page.name: study.report_page.read_bytes()}


def states(study: Study) -> list[object]:
    with Store.open(study.store_path, read_only=True) as store:
        return store.table("colony_winters")["is_alive"].to_list()


def with_limit(study: Study, step: str, limit: int) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WITH_LIMIT, str(limit), step, str(study.path), "--quiet"],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )


def told(done: subprocess.CompletedProcess[str], unit: str = "step") -> None:
    assert done.returncode == 7, done.stderr
    problem, mend = done.stderr.splitlines()[-2:]
    assert problem.startswith("winterpool: The disk is full: ")
    assert f"as it was before this {unit}" in problem
    assert mend == "Free some space and give the same command again."
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("step", "limit"), [("fit", 200), ("fit", 2_000), ("report", 20_000)])
def test_results_and_report_stay(study: Study, step: str, limit: int) -> None:
    """The smaller limit stops the first of a fit's files, the larger one a later one."""
    before = files(study)
    told(with_limit(study, step, limit))
    assert files(study) == before


def test_the_derived_tables_stay(study: Study) -> None:
    assert states(study) == [True]
    (study.inbox_path / "outcomes again.csv").write_text(OUTCOMES.format(state="dead"))
    assert run_here("ingest", study.path, "--quiet").returncode == 0
    before = files(study)
    told(with_limit(study, "prepare", 2_000))
    assert states(study) == [True]
    assert files(study) == before
    assert run_here("prepare", study.path, "--quiet").returncode == 0
    assert states(study) == [False]


@pytest.mark.parametrize("limit", [2_000, 200_000])
def test_the_old_store_stays_when_a_rebuild_meets_a_full_disk(tmp_path: Path, limit: int) -> None:
    """Too little room for any store, and for its first rows; what was begun makes room again."""
    study = study_with_files(tmp_path / "study")
    ingest(study.path)
    store = table_hashes(study)
    told(with_limit(study, "rebuild", limit), "rebuild")
    assert table_hashes(study) == store
    assert not study.rebuilding_path.exists()
    assert not list(study.path.glob("store-before-*"))
    assert "Sound: " in run_here("status", study.path).stdout
    assert run_here("rebuild", study.path, "--quiet").returncode == 0
    assert table_hashes(study) == store


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is of Linux")
def test_the_page_stays_when_pandoc_meets_a_full_disk(study: Study) -> None:
    page = study.report_page.read_bytes()
    draft = study.report_page.with_suffix(".partial.html")
    draft.symlink_to("/dev/full")
    told(run_winterpool("report", study.path, "--quiet"))
    draft.unlink()
    assert study.report_page.read_bytes() == page
