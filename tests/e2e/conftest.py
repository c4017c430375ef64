"""One small demonstration, run once through the command line, for every test that reads it."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline.cli import main


def run_winterpool(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command line as a user does, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=cwd,
        env=os.environ | {"PYTHONIOENCODING": "utf-8", "COLUMNS": "120"},
        check=False,
    )


def run_here(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command line in this process: the same words, without loading libraries anew."""
    out, err = io.StringIO(), io.StringIO()
    before, sys.argv = sys.argv, ["winterpool", *map(str, arguments)]
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
        code = 0
    except SystemExit as left:
        code = int(left.code or 0)
    finally:
        sys.argv = before
    return subprocess.CompletedProcess(arguments, code, out.getvalue(), err.getvalue())


@contextmanager
def at_work(step: str, path: Path, sign: str) -> Iterator[subprocess.Popen[str]]:
    """Run a step in a process of its own, and yield it once it says that it is at something."""
    with subprocess.Popen(
        [sys.executable, "-m", "pipeline", step, str(path)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    ) as process:
        assert process.stderr is not None
        assert any(sign in line for line in process.stderr), f"{step} never came to {sign}"
        yield process


@dataclass(frozen=True)
class DemoRun:
    """The study folder of the small demonstration and what its run printed."""

    path: Path
    stdout: str
    stderr: str


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory: pytest.TempPathFactory) -> DemoRun:
    path = tmp_path_factory.mktemp("demo") / "a study with spaces"
    done = run_winterpool("demo", path, "--size", "small", "--seed", 11)
    assert done.returncode == 0, done.stderr + done.stdout
    return DemoRun(path, done.stdout, done.stderr)
