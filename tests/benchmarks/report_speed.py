"""How long the report of a large association takes to render, and how large its page is.

Run by hand, on a quiet machine:

    uv run python -m tests.benchmarks.report_speed --colonies 5000 --keep

Makes an invented association of 350 colonies through one winter (the baseline) and a larger one,
loads, derives and fits both as a study is, then measures ``report`` of each in a process of its
own. Fitting 5,000 colony-winters takes some ten minutes.

The goals: below 40 s at 350 colonies, below 2 minutes at 5,000, the page below 8 MiB.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path

from pipeline.progress import SILENT
from pipeline.runner import do_step, ingest
from pipeline.settings import Settings, StudySettings
from pipeline.study import Study, new_study
from tests.benchmarks.associations import Size, records, write_association
from tests.benchmarks.measuring import conditions, keep, measured, shown, tell

BASELINE_COLONIES, COLONIES_EACH = 350, 10
GOAL_SECONDS, GOAL_SECONDS_LARGE, GOAL_MIB = 40.0, 120.0, 8.0

REPORT = """
import sys
from pathlib import Path
from pipeline.progress import SILENT
from pipeline.runner import do_step
from pipeline.study import Study
study = Study(Path(sys.argv[1]))
do_step("report", study.path, SILENT)
print(study.report_page.stat().st_size)
"""


def fitted(folder: Path, colonies: int) -> Study:
    """Make an invented association of so many colonies and one winter, up to its fit."""
    settings = Settings(study=StudySettings(name="Large (invented)", is_invented=True))
    study = new_study(folder, settings)
    tables = records(Size(colonies // COLONIES_EACH, COLONIES_EACH, 1))
    write_association(study.inbox_path, study.weather_path, tables)
    ingest(study.path, SILENT)
    for step in ("prepare", "fit"):
        done = do_step(step, study.path, SILENT)
        print(f"{colonies:,} colonies: {step} took {done.seconds:.0f} s", flush=True)
    run = json.loads((study.results_path / "run.json").read_text(encoding="utf-8"))
    print(
        f"{colonies:,} colonies: the fit {'has' if run['has_converged'] else 'has NOT'} converged"
    )
    return study


def main() -> None:
    """Measure, print a table, keep it."""
    parser = argparse.ArgumentParser(description="Time the report of a large association.")
    parser.add_argument("--colonies", type=int, default=5_000)
    parser.add_argument("--keep", action="store_true", help="add to results/report.csv")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        small = fitted(Path(name) / "small", BASELINE_COLONIES)
        large = fitted(Path(name) / "large", chosen.colonies)
        before = conditions()
        runs = {
            c: measured(REPORT, str(s.path))
            for c, s in ((BASELINE_COLONIES, small), (chosen.colonies, large))
        }
    baseline = runs[BASELINE_COLONIES]
    lines = [shown(f"report, {n} colonies", run, baseline, n) for n, run in runs.items()]
    tell(lines)
    for colonies, run in runs.items():
        most = GOAL_SECONDS if colonies <= BASELINE_COLONIES else GOAL_SECONDS_LARGE
        mib = int(run.said) / 2**20
        is_met = run.seconds < most and mib < GOAL_MIB
        print(
            f"{colonies:,} colonies, page of {mib:.1f} MiB. Goal, below {most:.0f} s and ", end=""
        )
        print(f"{GOAL_MIB:.0f} MiB: {'met' if is_met else 'missed'}")
    if chosen.keep:
        keep("report", lines, before)


if __name__ == "__main__":
    main()
