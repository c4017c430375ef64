"""Killed at any moment or boundary: the next run gives the store of an undisturbed run."""

from __future__ import annotations

import random
import shutil
import sys
import time
from pathlib import Path

import pytest

from pipeline.store_check import check_soundness
from pipeline.study import Study
from tests.killing import COMMANDS, copied, killed_after, killed_at, study_with_files
from tests.table_hashes import table_hashes

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
Hashes = dict[str, tuple[int, int]]


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Study]:
    """For each command the study before it."""
    folder = tmp_path_factory.mktemp("killed")
    made = {"ingest": study_with_files(folder / "ingest")}
    made["prepare"] = copied(made["ingest"], folder / "prepare")
    COMMANDS["ingest"](made["prepare"].path)
    made["rebuild"] = copied(made["prepare"], folder / "rebuild")
    return made


@pytest.fixture(scope="module")
def undisturbed(before: dict[str, Study]) -> dict[str, tuple[Hashes, float]]:
    """For each command the hashes after it, and how long it took [s]."""
    found = {}
    for command, study in before.items():
        done = copied(study, study.path.with_name(f"{command} undisturbed"))
        killed_after(command, copied(study, done.path.with_name(f"{command} warm")).path, 0)
        begun = time.monotonic()
        killed_at(command, done.path, 0)
        found[command] = (table_hashes(done), time.monotonic() - begun)
    return found


def recovers(command: str, study: Study, hashes: Hashes) -> None:
    COMMANDS[command](study.path)
    assert table_hashes(study) == hashes
    assert check_soundness(study, reads_all=True).damages == ()
    left = {path.name for path in study.path.iterdir()}
    assert not left & {".working", ".rebuilding", "store.lock", "step.lock"}


def kill_at_moments(
    command: str, study: Study, undisturbed: tuple[Hashes, float], kills: int, folder: Path
) -> int:
    """Kill at random moments, spread evenly; return how often the command was still at work."""
    hashes, seconds = undisturbed
    moments = random.Random(command)
    at_work = 0
    for number in range(kills):
        victim = copied(study, folder / str(number))
        moment = seconds * (number + moments.random()) / kills
        at_work += killed_after(command, victim.path, moment)
        recovers(command, victim, hashes)
        shutil.rmtree(victim.path)
    return at_work


@pytest.mark.parametrize(("command", "kills"), [("ingest", 8), ("rebuild", 2), ("prepare", 1)])
def test_killed_at_some_moments(command, kills, before, undisturbed, tmp_path):
    assert kill_at_moments(command, before[command], undisturbed[command], kills, tmp_path) > 0


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.parametrize(
    ("command", "kills"), [("ingest", 250), ("rebuild", 200), ("prepare", 200)]
)
def test_killed_at_hundreds_of_moments(
    command, kills, before, undisturbed, tmp_path, record_testsuite_property
):
    at_work = kill_at_moments(command, before[command], undisturbed[command], kills, tmp_path)
    record_testsuite_property(f"{command}: kills", kills)
    record_testsuite_property(f"{command}: at work", at_work)
    assert at_work >= 0.6 * kills


def kill_at_boundaries(command: str, study: Study, hashes: Hashes, folder: Path, step: int) -> int:
    boundary = 1
    while True:
        victim = copied(study, folder / str(boundary))
        if killed_at(command, victim.path, boundary) < boundary:
            return boundary // step
        recovers(command, victim, hashes)
        boundary += step


@pytest.mark.parametrize(("command", "step"), [("ingest", 31), ("rebuild", 47), ("prepare", 9)])
def test_killed_at_some_boundaries(command, step, before, undisturbed, tmp_path):
    assert kill_at_boundaries(command, before[command], undisturbed[command][0], tmp_path, step)


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.parametrize("command", ["ingest", "prepare", "rebuild"])
def test_killed_at_every_boundary(command, before, undisturbed, tmp_path):
    assert kill_at_boundaries(command, before[command], undisturbed[command][0], tmp_path, 1) > 5


def test_a_rebuilt_store_is_the_undisturbed_one(before, undisturbed, tmp_path):
    ingested, _ = undisturbed["ingest"]
    rebuilt, _ = undisturbed["rebuild"]
    assert rebuilt == ingested
