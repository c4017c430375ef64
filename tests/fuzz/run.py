"""Coverage-guided fuzzing of every reader of what others write, for a time that is given.

    uv run --group fuzz python -m tests.fuzz.run --seconds 30 [TARGET …]

Prints a line a target: executions, and the input that broke it, if one did (kept in --finds).
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path

LONGEST = 10_000
"""Bytes of an input; the largest that a search begins with has 8,500."""
SLOWEST_S = 20
MOST_MB = 2_048


def search(target: str, arguments: list[str]) -> None:
    """Search one target in this process; the fuzzer ends it."""
    import atheris

    with atheris.instrument_imports(include=["pipeline"]):
        from tests.fuzz.targets import TARGETS, seeds

    corpus = Path(arguments[-1])
    for number, seed in enumerate(seeds(target)):
        (corpus / f"seed-{number}").write_bytes(seed)
    atheris.Setup([sys.argv[0], *arguments], TARGETS[target])
    atheris.Fuzz()


def run(target: str, seconds: int, finds: Path) -> tuple[int, str]:
    """Search one target in a process of its own; return executions and what was found."""
    with tempfile.TemporaryDirectory() as corpus:
        command = [
            sys.executable, "-m", "tests.fuzz.run", "--search", target, "--",
            f"-max_total_time={seconds}", f"-max_len={LONGEST}", f"-timeout={SLOWEST_S}",
            f"-rss_limit_mb={MOST_MB}", "-print_final_stats=1",
            f"-artifact_prefix={finds}/{target}-", corpus,
        ]  # fmt: skip
        done = subprocess.run(
            command, capture_output=True, text=True, errors="replace", check=False
        )
    said = done.stdout + done.stderr
    counted = re.findall(r"stat::number_of_executed_units:\s*(\d+)|^#(\d+)\t", said, re.MULTILINE)
    executions = max((int(a or b) for a, b in counted), default=0)
    if done.returncode == 0:
        return executions, ""
    lines = [
        line for line in said.splitlines() if re.match(r"\s*(\w+\.)*\w*(Error|Exception)", line)
    ]
    kept = re.search(r"Test unit written to (\S+)", said)
    return (
        executions,
        f"{(lines or said.splitlines())[-1].strip()[:160]} ({kept[1] if kept else ''})",
    )


def main() -> int:
    """Run the targets named, or all."""
    if "--search" in sys.argv:
        at = sys.argv.index("--search")
        search(sys.argv[at + 1], sys.argv[at + 3 :])
        return 0
    from tests.fuzz.targets import TARGETS

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*", choices=[[], *TARGETS], default=[])
    parser.add_argument("--seconds", type=int, default=30, help="time for each target")
    parser.add_argument("--finds", type=Path, default=Path("fuzz-finds"))
    given = parser.parse_args()
    given.finds.mkdir(exist_ok=True)
    is_broken = False
    for target in given.targets or TARGETS:
        executions, found = run(target, given.seconds, given.finds)
        print(f"{target:10} {executions:>9,} executions  {found or 'nothing found'}", flush=True)
        is_broken |= bool(found)
    return int(is_broken)


if __name__ == "__main__":
    sys.exit(main())
