"""The engine: every replicate once, whatever is stopped, killed or run again."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from models.calibration.replicates import Job, read_replicates, run_replicates
from pipeline.errors import ModelError, StudyError
from pipeline.progress import SILENT


def square(number: int) -> dict:
    return {"value": number**2, "drawn": float(np.random.default_rng(number).normal())}


def note(folder: Path, number: int) -> dict:
    (folder / f"{number}-{time.time_ns()}").touch()
    return square(number)


def die_once(folder: Path, number: int) -> dict:
    """Kill the own process at the third replicate, the first time only."""
    is_first = not (folder / "died").exists()
    note(folder, number)
    if number == 2 and is_first:
        (folder / "died").touch()
        os.kill(os.getpid(), signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)
    return square(number)


def always_die(number: int) -> dict:
    os.kill(os.getpid(), signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)
    return square(number)


def fail_at_three(number: int) -> dict:
    if number == 3:
        raise ZeroDivisionError("a fault of the program")
    return square(number)


def jobs(folder: Path, function, n: int) -> list[Job]:
    return [Job(folder, function, number) for number in range(n)]


@pytest.fixture
def seen(tmp_path) -> Path:
    (tmp_path / "seen").mkdir()
    return tmp_path / "seen"


def runs_of(seen: Path, number: int) -> int:
    return len(list(seen.glob(f"{number}-*")))


def test_a_killed_worker_costs_its_replicate_once_and_nothing_else(tmp_path, seen):
    out = tmp_path / "out"
    assert run_replicates(jobs(out, partial(die_once, seen), 6), SILENT, workers=1) == 6
    made = read_replicates(out)
    assert [m["replicate"] for m in made] == list(range(6))
    assert [m["value"] for m in made] == [n**2 for n in range(6)]
    assert (seen / "died").exists()
    assert runs_of(seen, 2) == 2
    # what had been sent back stays; work held in the killed process alone may be done again
    assert all(runs_of(seen, n) <= 2 for n in range(6))


def test_a_stopped_run_goes_on_where_it_stopped_and_order_does_not_matter(tmp_path, seen):
    out = tmp_path / "out"
    some = [job for job in jobs(out, partial(note, seen), 5) if job.number in (4, 1)]
    assert run_replicates(some, SILENT) == 2
    (out / "00003.part").write_text('{"replicate": 3, "val', encoding="utf-8")  # cut off
    assert run_replicates(jobs(out, partial(note, seen), 5), SILENT, workers=2) == 3
    assert run_replicates(jobs(out, partial(note, seen), 5), SILENT) == 0
    assert [runs_of(seen, n) for n in range(5)] == [1] * 5
    made = read_replicates(out)
    assert [m["drawn"] for m in made] == [square(n)["drawn"] for n in range(5)]


def test_a_fault_of_the_program_is_not_hidden_and_what_finished_stays(tmp_path):
    with pytest.raises(ZeroDivisionError):
        run_replicates(jobs(tmp_path, fail_at_three, 4), SILENT, workers=1)
    assert {m["replicate"] for m in read_replicates(tmp_path)} == {0, 1, 2}


@pytest.mark.slow
def test_a_replicate_that_always_ends_its_worker_is_named(tmp_path):
    with pytest.raises(ModelError, match=r"Replicate 0 .* ended its worker"):
        run_replicates([Job(tmp_path, always_die, 0)], SILENT)


def test_no_scheduler_is_said_plainly(tmp_path):
    with pytest.raises(StudyError, match=r"No scheduler answers at 127\.0\.0\.1:1"):
        run_replicates([Job(tmp_path, square, 0)], SILENT, scheduler="127.0.0.1:1")


def test_a_missing_engine_is_said_plainly(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(StudyError) as caught:
        run_replicates([Job(tmp_path, square, 0)], SILENT)
    assert "winterpool[calibration]" in caught.value.mend


def test_a_spoilt_result_is_named(tmp_path):
    (tmp_path / "00001.json").write_text("{", encoding="utf-8")
    with pytest.raises(ModelError, match=r"00001\.json is not the result"):
        read_replicates(tmp_path)


def test_results_carry_the_code_they_came_from(tmp_path):
    run_replicates(jobs(tmp_path, square, 1), SILENT)
    made = json.loads((tmp_path / "00000.json").read_text(encoding="utf-8"))
    assert len(made["code"]) == 16


def test_a_scheduler_elsewhere_is_used(tmp_path):
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as cluster:
        address = cluster.scheduler_address
        assert run_replicates(jobs(tmp_path, square, 3), SILENT, scheduler=address) == 3
        assert len(cluster.workers) == 1  # still there: it is not ours to close
    assert [m["value"] for m in read_replicates(tmp_path)] == [0, 1, 4]
