"""A full disk is told in plain words, and a folder's files are replaced together or not at all."""

from __future__ import annotations

import errno
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.disk import disk_errors, replacing_together
from pipeline.errors import RenderError, StoreError

ROOT = Path(__file__).parents[2]
WRITE_DRAWS = """
import resource, signal, sys
from pathlib import Path
import numpy as np, xarray as xr
from pipeline.disk import FULL_WORDS, NETCDF_WRITE_WORDS, disk_errors
from pipeline.errors import StoreError
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
draws = xr.Dataset({"x": (("chain", "draw"), np.random.default_rng(1).normal(size=(4, 20_000)))})
try:
    with disk_errors(Path("results"), "step", (*FULL_WORDS, *NETCDF_WRITE_WORDS)):
        xr.DataTree.from_dict({"posterior": draws}).to_netcdf(sys.argv[1], engine="netcdf4")
except StoreError as error:
    print(error.problem)
"""


def fail(error: Exception) -> None:
    raise error


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.ENOSPC, "No space left on device"),
        OSError(errno.EDQUOT, "Disk quota exceeded"),
        RenderError("A cell failed: OSError: [Errno 27] File too large.", mend="Try again."),
    ],
)
def test_a_full_disk_is_told_whatever_the_error(error: Exception) -> None:
    with pytest.raises(StoreError) as caught, disk_errors(Path("results"), "step"):
        fail(error)
    assert caught.value.problem.startswith("The disk is full: results could not be written")
    assert caught.value.__cause__ is error


def test_what_led_to_an_error_counts() -> None:
    with pytest.raises(StoreError, match="before this step"), disk_errors(Path("page"), "step"):
        try:
            fail(RuntimeError("pandoc: resource exhausted (No space left on device)"))
        except RuntimeError:
            raise RenderError("Pandoc could not write.", mend="Try again.") from None


@pytest.mark.parametrize(
    "error", [PermissionError(errno.EACCES, "denied"), KeyError("x"), StoreError("y", mend="z")]
)
def test_other_errors_stay_themselves(error: Exception) -> None:
    with pytest.raises(type(error)) as caught, disk_errors(Path("results"), "step"):
        fail(error)
    assert caught.value is error


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are set the POSIX way")
def test_draws_that_netcdf_cannot_write_are_told_as_a_full_disk(tmp_path: Path) -> None:
    said = subprocess.run(
        [sys.executable, "-c", WRITE_DRAWS, str(tmp_path / "posterior.nc")],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert said.stdout.startswith("The disk is full: results"), said.stderr


def test_a_folders_files_are_replaced_together(tmp_path: Path) -> None:
    folder = tmp_path / "results"
    with replacing_together(folder, last="a") as draft:
        for name in ("a", "b"):
            (draft / name).write_text("old")
    (folder / "steps").write_text("kept")
    with pytest.raises(OSError, match="full"), replacing_together(folder, last="a") as draft:
        (draft / "b").write_text("new")
        raise OSError("full")
    assert {path.name: path.read_text() for path in folder.iterdir()} == {
        "a": "old",
        "b": "old",
        "steps": "kept",
    }
    with replacing_together(folder, last="a") as draft:
        (draft / "b").write_text("new")
    assert (folder / "a").read_text() == "old"
    assert (folder / "b").read_text() == "new"


def test_a_draft_left_by_a_killed_process_is_dropped(tmp_path: Path) -> None:
    with replacing_together(tmp_path, last="a") as draft:
        left = draft
    left.mkdir()
    (left / "b").write_text("unfinished")
    with replacing_together(tmp_path, last="a") as draft:
        assert list(draft.iterdir()) == []
    assert list(tmp_path.iterdir()) == []
