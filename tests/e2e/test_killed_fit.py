"""A fit or a report killed at any moment: the next one writes what an undisturbed one writes.

Two hundred moments of each command in ten parts, so that some can be had without all: a fit with
its sampling takes half a minute, and so does going on after it. Where a kill left every file as it
was before the command, going on is the undisturbed command itself, and is done for every tenth.
"""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from pipeline.progress import SILENT
from pipeline.runner import do_step
from pipeline.store_check import check_soundness
from pipeline.study import Study
from tests.killing import copied, killed_after, killed_at
from tests.table_hashes import table_hashes
from tests.tiny_study import tiny_study

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(0),
    pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX"),
]
KILLS, PARTS, EVERY = 200, 10, 10
TIMES = ("seconds", "started_at", "finished_at", "seconds_judging")
LOCKS = ("store.lock", "step.lock")


@dataclass(frozen=True)
class Case:
    """A study before a command, what the command leaves undisturbed, and how long it takes [s]."""

    name: str
    command: str
    before: Study
    after: dict[str, str]
    seconds: float


def digests(study: Study) -> dict[str, str]:
    """Every file of a study by its content."""
    return {
        path.relative_to(study.path).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(study.path.rglob("*"))
        if path.is_file() and path.name not in LOCKS
    }


def without_times(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: without_times(v) for k, v in value.items() if k not in TIMES}
    return [without_times(v) for v in value] if isinstance(value, list) else value


def outcome(study: Study) -> dict[str, str]:
    """All files of results and report, the times it took left out; and the store's tables."""
    found = {name: d for name, d in digests(study).items() if name.startswith(("res", "rep"))}
    for path in study.results_path.glob("*.json"):
        content = without_times(json.loads(path.read_text()))
        if path == study.steps_path:  # the digest of a file that holds a time
            content.get("fit", {}).get("files", {}).pop("results/run.json", None)
        found[path.name] = json.dumps(content, sort_keys=True)
        found.pop(path.relative_to(study.path).as_posix())
    return found | {name: str(rows) for name, rows in table_hashes(study).items()}


@pytest.fixture(scope="module", params=["fit", "fit without sampling", "report"])
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    folder = tmp_path_factory.mktemp("killed")
    command = request.param.split()[0]
    before = tiny_study(folder / "study", is_sampled=request.param == "fit")
    if command == "report":
        do_step("fit", before.path, SILENT)
    for name in ("warm", "undisturbed"):
        done = copied(before, folder / name)
        begun = time.monotonic()
        killed_at(command, done.path, 0)
        seconds = time.monotonic() - begun
    return Case(request.param, command, before, outcome(done), seconds)


@pytest.mark.parametrize("part", range(PARTS))
def test_killed_at_any_moment(
    case: Case, part: int, tmp_path: Path, record_testsuite_property: Callable[[str, int], None]
) -> None:
    chance = random.Random(f"{case.command} {part}")
    before = digests(case.before)
    at_work = unchanged = equal = 0
    for number in range(part, KILLS, PARTS):
        victim = copied(case.before, tmp_path / str(number))
        moment = case.seconds * (number + chance.random()) / KILLS
        at_work += killed_after(case.command, victim.path, moment)
        is_unchanged = digests(victim) == before
        unchanged += is_unchanged
        if not is_unchanged or (number // PARTS) % EVERY == 0:
            do_step(case.command, victim.path, SILENT)
            assert outcome(victim) == case.after, moment
            assert check_soundness(victim, reads_all=True).damages == ()
            left = {path.name for path in victim.path.rglob("*")}
            assert not left & {".draft", ".working", *LOCKS}
        shutil.rmtree(victim.path)
        equal += 1
    for name, count in (("at work", at_work), ("unchanged", unchanged), ("equal", equal)):
        record_testsuite_property(f"{case.name}, part {part}: {name}", count)
    assert at_work > 0 or part > PARTS // 2
