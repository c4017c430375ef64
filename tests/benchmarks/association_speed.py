"""How fast a national association's records are loaded and prepared, beside a bare load.

Run by hand, on a quiet machine:

    uv run python -m tests.benchmarks.association_speed --members 2000 --keep

Writes the records of an invented association, ten colonies with each member through ten winters, a
CSV file for each member and record. Then measures processes of their own: DuckDB loading the same
files record by record, types guessed, nothing checked; ``ingest``; ``ingest`` with nothing new; and
``prepare``.

The goal: ``ingest`` and ``prepare`` of 2,000 members and 20,000 colonies in below 3 minutes.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from pipeline.study import new_study
from tests.benchmarks.associations import Size, records, write_association
from tests.benchmarks.measuring import conditions, keep, measured, shown, tell
from tests.benchmarks.prepare_speed import PREPARE

COLONIES_EACH, WINTERS = 10, 10
GOAL_SECONDS, GOAL_MEMBERS = 180.0, 2000

BARE = """
import duckdb, pathlib, sys
connection = duckdb.connect(sys.argv[2])
study = pathlib.Path(sys.argv[1])
files = {}
for path in [*study.glob("inbox/*.csv"), *study.glob("weather/*.csv")]:
    files.setdefault(path.stem.split()[-1], []).append(str(path))
for name, paths in files.items():
    connection.execute(f"CREATE TABLE {name} AS FROM read_csv({paths}, header=true)")
connection.close()
print(sum(map(len, files.values())))
"""
INGEST = """
import sys
from pathlib import Path
from pipeline.progress import SILENT
from pipeline.runner import ingest
summary = ingest(Path(sys.argv[1]), SILENT)
for file in summary.with_status("rejected"):
    raise SystemExit(f"{file.name}: {file.problem}")
if summary.rows_rejected:
    raise SystemExit(f"{summary.rows_rejected} rows were rejected.")
print(sum(file.rows_accepted for file in summary.files))
"""


def main() -> None:
    """Measure, print a table, keep it."""
    parser = argparse.ArgumentParser(description="Time an association's records.")
    parser.add_argument("--members", type=int, default=2000)
    parser.add_argument("--keep", action="store_true", help="add to results/association.csv")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        study = new_study(Path(name) / "study")
        tables = records(Size(chosen.members, COLONIES_EACH, WINTERS))
        files = write_association(study.inbox_path, study.weather_path, tables)
        rows = sum(table.height for table in tables.values())
        print(f"{rows:,} invented rows in {files:,} files of {chosen.members:,} members")
        before = conditions()
        bare = measured(BARE, str(study.path), f"{name}/bare.duckdb")
        place = str(study.path)
        runs = {
            "duckdb, bare load (baseline)": bare,
            "winterpool ingest": measured(INGEST, place),
            "winterpool ingest, nothing new": measured(INGEST, place),
            "winterpool prepare": measured(PREPARE, place),
        }
    if runs["winterpool ingest"].said != str(rows):
        raise SystemExit(f"{rows} rows were sent, {runs['winterpool ingest'].said} accepted.")
    lines = [shown(title, run, bare, rows) for title, run in runs.items()]
    tell(lines)
    total = runs["winterpool ingest"].seconds + runs["winterpool prepare"].seconds
    print(f"ingest and prepare together: {total:.0f} s")
    if chosen.members >= GOAL_MEMBERS:
        is_met = total < GOAL_SECONDS
        print(f"Goal, below {GOAL_SECONDS:.0f} s: {'met' if is_met else 'missed'}")
    if chosen.keep:
        keep("association", lines, before)


if __name__ == "__main__":
    main()
