"""Refits of a real study, through the command line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from models.refits.rederive import derive_records
from pipeline.progress import SILENT
from pipeline.settings import read_settings
from pipeline.store import Store
from pipeline.study import Study
from tests.e2e.conftest import DemoRun, run_winterpool


@pytest.fixture(scope="module")
def study(demo_run: DemoRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy: other tests read the demonstration as its run left it."""
    path = tmp_path_factory.mktemp("refit") / "study"
    shutil.copytree(demo_run.path, path)
    return path


def test_deriving_anew_by_the_same_rules_gives_the_same_tables(study: Path) -> None:
    own = read_settings(Study(study).settings_path)
    first, second = derive_records(Study(study).store_path, [own, own], SILENT)
    with Store.open(Study(study).store_path, read_only=True) as store:
        for derived in (first, second):
            assert derived.colony_winters.equals(store.table("colony_winters"))
            assert derived.mite_samples.equals(store.table("mite_samples"))


def test_a_refit_is_made_once_and_leaves_the_report_out_of_date(study: Path) -> None:
    done = run_winterpool("refit", study, "--only", "autumn_strength", "--quiet")
    assert done.returncode == 0, done.stderr
    assert not done.stderr
    assert "autumn_strength" in done.stdout
    kept = json.loads((study / "results" / "refits" / "autumn_strength.json").read_text())
    [row] = kept["rows"]
    assert row["status"] == "estimated"
    assert row["q2.5"] < row["mean"] < row["q97.5"]
    again = run_winterpool("refit", study, "--only", "autumn_strength")
    assert again.returncode == 0, again.stderr
    assert "refit 1 of" not in again.stderr
    steps = run_winterpool("status", study).stdout.splitlines()
    states = [line for line in steps if line.startswith(("fit ", "report "))]
    assert [line.split(maxsplit=1)[1] for line in states] == ["up to date", "out of date"]
