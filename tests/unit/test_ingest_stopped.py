"""Ingest stopped by its user, a full disk or the system: the store is before or after a file."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import pytest

from pipeline import archive, arrivals
from pipeline.errors import StoreError
from pipeline.study import Study
from tests.inbox import APIARIES, COLONIES, HEAD, everything, ingest, many_readings, put, stored

ROOT = Path(__file__).parents[2]
RUN = """
import resource, signal, sys
from datetime import date
from pathlib import Path
from pipeline.errors import WinterpoolError
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.study import Study
if len(sys.argv) > 2:
    limit = int(sys.argv[2])
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
print("begun", flush=True)
try:
    ingest_study(Study(Path(sys.argv[1])), Settings(), SILENT, date(2025, 4, 1))
except WinterpoolError as error:
    print(error.problem)
"""


def test_ctrl_c_leaves_the_store_before_that_file(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(study, a=APIARIES, c=COLONIES)
    ingest(study)
    before = everything(study)
    put(study, w=HEAD + "C1,2024-10-05,31.5,scale\n")

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(arrivals.Archive, "keep_all", stopped)  # inside the transaction, at its end
        with pytest.raises(KeyboardInterrupt):
            ingest(study)
    assert everything(study) == before
    assert not study.working_path.exists()
    ingest(study)
    assert stored(study, "weighings").height == 1


def test_a_full_disk_while_copying_is_told(study: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    put(study, a=APIARIES)

    def full(*_: object) -> str:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(archive, "copy_and_digest", full)
        with pytest.raises(StoreError, match="disk is full"):
            ingest(study)
    assert stored(study, "files").height == 0
    ingest(study)
    assert stored(study, "apiaries").height == 1


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are set the POSIX way")
@pytest.mark.parametrize("limit", [1_000_000, 6_000_000])
def test_a_full_disk_leaves_the_store_as_it_was(study: Study, limit: int) -> None:
    """The smaller limit stops the copy of the file, the larger one what comes after it."""
    put(study, a=APIARIES, c=COLONIES)
    ingest(study)
    before = everything(study)
    put(study, s=many_readings(100_000))
    said = subprocess.run(
        [sys.executable, "-c", RUN, str(study.path), str(limit)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert "The disk is full" in said.stdout, said.stderr
    assert everything(study) == before
    ingest(study)
    assert stored(study, "sensor_readings").height == 100_000


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
def test_killed_at_any_moment_the_store_is_before_or_after_a_file(study: Study) -> None:
    rows = 60_000
    put(study, a=APIARIES, c=COLONIES)
    ingest(study)
    for number in range(4):
        text = many_readings(rows).replace("C1,2024", f"C1,202{number}")
        put(study, **{f"s{number}": text})
    outcomes = set()
    for delay in (0.1, 0.4, 0.7, 1.0):
        child = subprocess.Popen(
            [sys.executable, "-c", RUN, str(study.path)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            text=True,
        )
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(delay)
        os.kill(child.pid, signal.SIGKILL)
        child.communicate()
        loaded = stored(study, "sensor_readings").height
        assert loaded % rows == 0
        noted = stored(study, "files").filter(pl.col("name").str.starts_with("s"))
        assert noted["rows_accepted"].sum() == loaded
        outcomes.add(loaded)
    ingest(study)
    assert stored(study, "sensor_readings").height == 4 * rows
    assert not study.working_path.exists()
    assert min(outcomes) < 4 * rows
