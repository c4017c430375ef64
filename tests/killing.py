"""Commands in a process of their own that is killed: at a moment, or at a boundary of its writing.

The processes are forked from one that has loaded the libraries, so that hundreds of kills take
minutes.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.rebuild import rebuild_study
from pipeline.runner import do_step
from pipeline.settings import read_settings
from pipeline.store import Store
from pipeline.study import Study, new_study
from tests.inbox import APIARIES, HEAD, many_readings, put

TODAY = date(2025, 4, 1)
FORKING = multiprocessing.get_context("forkserver")
FORKING.set_forkserver_preload(["tests.killing", "pipeline.stages.graph"])
MAPPING = """
[[table]]
files = "pounds*.csv"
[[table.record]]
record = "weighings"
[table.record.columns]
colony_id = "Hive"
weighed_on = "Day"
gross_kg = {from = "Weight", unit = "lb"}
method = {constant = "scale"}
"""


def fill(study: Study, readings: int = 2_000) -> None:
    """Files of every fate: good, waiting for another, corrected, mapped, partly bad, unreadable."""
    put(
        study,
        a_weighings=HEAD
        + "C1,2024-10-05,31.5,scale\nC9,2024-10-05,40,scale\nC1,2024-10-06,x,scale\n",
        apiaries=APIARIES,
        colonies="colony_id,apiary_id,frames_max\nC1,Hill,10\nC2,Hill,\n",
        pounds="Hive,Day,Weight\nC2,2024-10-05,70\n",
        sensors=many_readings(readings),
        strange="foo,bar\n1,2\n",
        strengths="colony_id,inspected_on,frames_of_bees\nC1,2024-10-01,11\nC2,2024-10-01,9\n",
        z_late="colony_id,weighed_on,gross_kg,method\nC1,2024-10-05,32.5,scale\n",
    )
    (study.mappings_path / "pounds.toml").write_text(MAPPING)


def study_with_files(path: Path) -> Study:
    """A study of two arrivals: the first loaded already, the second in the inbox."""
    study = new_study(path)
    put(study, early="colony_id,weighed_on,gross_kg,method\nC9,2024-11-05,30.5,scale\n")
    ingest(path)
    fill(study)
    put(study, zz_more="colony_id,apiary_id,frames_max\nC9,Hill,20\n")
    return study


def ingest(path: Path) -> None:
    study = Study(path)
    ingest_study(study, read_settings(study.settings_path), SILENT, TODAY)


def prepare(path: Path) -> None:
    do_step("prepare", path, SILENT)


def fit(path: Path) -> None:
    do_step("fit", path, SILENT)


def report(path: Path) -> None:
    do_step("report", path, SILENT)


def rebuild(path: Path) -> None:
    study = Study(path)
    rebuild_study(study, read_settings(study.settings_path), SILENT, TODAY)


COMMANDS: dict[str, Callable[[Path], None]] = {
    "ingest": ingest,
    "prepare": prepare,
    "rebuild": rebuild,
    "fit": fit,
    "report": report,
}


def _run(command: str, path: Path) -> None:
    COMMANDS[command](path)


def _run_to_boundary(command: str, path: Path, boundary: int, passed: Any) -> None:
    """Kill this process at a boundary: a transaction's, or around a call that changes the disk."""

    def reach() -> None:
        passed.value += 1
        if passed.value == boundary:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(function: Callable[..., Any]) -> Callable[..., Any]:
        def called(*arguments: Any, **named: Any) -> Any:
            reach()
            answer = function(*arguments, **named)
            reach()
            return answer

        return called

    transaction = Store.transaction

    @contextmanager
    def watched(store: Store) -> Iterator[None]:
        reach()
        with transaction(store):
            reach()
            yield
            reach()
        reach()

    Store.transaction = watched  # type: ignore[method-assign]
    for name in ("replace", "fsync", "link"):
        setattr(os, name, around(getattr(os, name)))
    COMMANDS[command](path)


def killed_after(command: str, path: Path, seconds: float) -> bool:
    """Run a command and kill it after a while; return whether it was still at work."""
    process = FORKING.Process(target=_run, args=(command, path))
    process.start()
    time.sleep(seconds)
    process.kill()
    process.join()
    return bool(process.exitcode)


def killed_at(command: str, path: Path, boundary: int) -> int:
    """Run a command, kill it at that boundary, and return the boundaries reached."""
    passed = FORKING.Value("i", 0)
    process = FORKING.Process(target=_run_to_boundary, args=(command, path, boundary, passed))
    process.start()
    process.join()
    assert process.exitcode in (0, -signal.SIGKILL), f"{command} failed before boundary {boundary}"
    return int(passed.value)


def copied(study: Study, path: Path) -> Study:
    """A copy of a study under another path, the times of its files kept."""
    shutil.copytree(study.path, path)
    return Study(path)
