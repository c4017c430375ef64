"""Measuring scripts in processes of their own, and keeping what was measured as a small table."""

from __future__ import annotations

import csv
import os
import platform
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path

ROOT = Path(__file__).parents[2]
RESULTS = Path(__file__).parent / "results"
_PACKAGES = ("duckdb", "polars", "pyarrow", "pymc", "nutpie")
_TELL_PEAK = """
import pathlib, resource, sys
own = pathlib.Path("/proc/self/status")  # what resource tells includes the parent's, before exec
if own.exists():
    found = [line.split()[1] for line in own.read_text().splitlines() if line.startswith("VmHWM")]
    print(int(found[0]) / 1024)
else:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(peak / 2**20 if sys.platform == "darwin" else peak / 1024)
"""


@dataclass(frozen=True, slots=True)
class Measured:
    """What one process took.

    Attributes
    ----------
    seconds, cpu_seconds : float
        From start to end, the interpreter's own start included; of all its threads together [s].
    peak_mib : float
        The most memory it held at once, as the system counts it [MiB].
    said : str
        The last word it printed of itself.
    """

    seconds: float
    cpu_seconds: float
    peak_mib: float
    said: str


def measured(script: str, *arguments: str) -> Measured:
    """Run a script in its own process and measure it.

    Raises
    ------
    SystemExit
        It ended with an error.
    """
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-c", script + _TELL_PEAK, *arguments],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    said = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - begun
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"A measured process ended with code {process.returncode}.")
    *before, peak = said.split()
    cpu_seconds = used.ru_utime + used.ru_stime
    return Measured(seconds, cpu_seconds, float(peak), before[-1] if before else "")


def best(script: str, *arguments: str, repeats: int = 1) -> Measured:
    """The quickest of several runs, with the highest of their peaks."""
    runs = [measured(script, *arguments) for _ in range(repeats)]
    quickest = min(runs, key=lambda run: run.seconds)
    peak = max(run.peak_mib for run in runs)
    return Measured(quickest.seconds, quickest.cpu_seconds, peak, quickest.said)


def conditions() -> dict[str, str]:
    """Cores, memory, load of the last minute, and versions."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    versions = [f"{name} {version(name)}" for name in _PACKAGES]
    return {
        "measured_on": date.today().isoformat(),
        "cores": str(len(os.sched_getaffinity(0))),
        "memory_gib": f"{memory:.0f}",
        "load_before": f"{os.getloadavg()[0]:.1f}",
        "versions": ", ".join([f"python {platform.python_version()}", *versions]),
    }


def shown(title: str, run: Measured, baseline: Measured, rows: int) -> dict[str, str]:
    """One line of a table of results."""
    return {
        "what": title,
        "rows": str(rows),
        "seconds": f"{run.seconds:.2f}",
        "cpu_seconds": f"{run.cpu_seconds:.2f}",
        "peak_mib": f"{run.peak_mib:.0f}",
        "times_baseline": f"{run.seconds / baseline.seconds:.2f}",
        "times_baseline_cpu": f"{run.cpu_seconds / baseline.cpu_seconds:.2f}",
    }


def tell(lines: list[dict[str, str]]) -> None:
    """Print lines as a table."""
    table = [list(lines[0]), *(list(line.values()) for line in lines)]
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    for row in table:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)))


def keep(name: str, lines: list[dict[str, str]], before: dict[str, str]) -> None:
    """Add lines, with the conditions they were measured under, to ``results/NAME.csv``."""
    RESULTS.mkdir(exist_ok=True)
    path = RESULTS / f"{name}.csv"
    is_new = not path.exists()
    with path.open("a", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, [*lines[0], *before], lineterminator="\n")
        if is_new:
            writer.writeheader()
        writer.writerows(line | before for line in lines)
