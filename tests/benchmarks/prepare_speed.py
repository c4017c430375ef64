"""How fast and in how much memory ``prepare`` derives all tables from ten million readings.

Run by hand, on a quiet machine:

    uv run python -m tests.benchmarks.prepare_speed --readings 10000000 --keep

Makes a study of an invented association whose every colony is logged hourly at five positions
through two winters, with set-ups and weather, so that no stage passes over them. Then measures
processes of their own: DuckDB reducing the bare readings to days, the least that any way must do;
``prepare``; and ``prepare`` again after one member sent one more file. Every stage is a function
of whole tables, so that one costs what the first did.

The goals: ten million readings in below 20 s and 2 GiB.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import timedelta
from pathlib import Path

import polars as pl

from pipeline.progress import SILENT
from pipeline.runner import ingest
from pipeline.study import new_study
from tests.benchmarks.associations import Size, hourly_readings, records, write_association
from tests.benchmarks.measuring import best, conditions, keep, shown, tell

POSITIONS = ("above cluster", "brood nest", "under cover", "floor", "outside")
WINTERS = 2
READINGS_A_UNIT = 182 * 24 * len(POSITIONS)
COLONIES_EACH = 10
GOAL_SECONDS, GOAL_MIB = 20.0, 2048

BARE = """
import duckdb, sys
connection = duckdb.connect(sys.argv[1], read_only=True)
connection.execute("SET TimeZone = 'UTC'")
days = connection.sql(\"\"\"SELECT colony_id, CAST(logged_at AS DATE) AS day, position, count(*),
    avg(temperature_c), min(temperature_c), max(temperature_c), avg(humidity_pct)
    FROM sensor_readings GROUP BY ALL ORDER BY ALL\"\"\").pl()
print(len(days))
"""
PREPARE = """
import sys
from pathlib import Path
from pipeline.progress import SILENT
from pipeline.runner import do_step
done = do_step("prepare", Path(sys.argv[1]), SILENT)
print(done.has_run)
"""


def main() -> None:
    """Measure, print a table, keep it."""
    parser = argparse.ArgumentParser(description="Time prepare beside a bare aggregate.")
    parser.add_argument("--readings", type=int, default=10_000_000)
    parser.add_argument("--repeats", type=int, default=1, help="the quickest of so many counts")
    parser.add_argument("--keep", action="store_true", help="add to results/prepare.csv")
    chosen = parser.parse_args()
    colonies = chosen.readings // (READINGS_A_UNIT * WINTERS)
    size = Size(max(colonies // COLONIES_EACH, 1), COLONIES_EACH, WINTERS)
    with tempfile.TemporaryDirectory() as name:
        study = new_study(Path(name) / "study")
        write_association(study.inbox_path, study.weather_path, records(size))
        readings = hourly_readings(size, POSITIONS)
        write_by_member(study.inbox_path, readings)
        ingest(study.path, SILENT)
        print(f"{readings.height:,} invented readings of {size.members * COLONIES_EACH} colonies")
        before = conditions()
        bare = best(BARE, str(study.store_path), repeats=chosen.repeats)
        runs = {"duckdb, bare daily aggregate (baseline)": bare}
        ours = best(PREPARE, str(study.path), repeats=chosen.repeats)
        runs["winterpool prepare"] = ours
        later = readings.head(1000).with_columns(pl.col("logged_at") + timedelta(days=60))
        later.write_csv(study.inbox_path / "one-more.csv")
        ingest(study.path, SILENT)
        runs["winterpool prepare, one file more"] = best(PREPARE, str(study.path))
    lines = [shown(title, run, bare, readings.height) for title, run in runs.items()]
    tell(lines)
    is_met = ours.seconds < GOAL_SECONDS and ours.peak_mib < GOAL_MIB
    goal = f"below {GOAL_SECONDS:.0f} s and {GOAL_MIB:,} MiB"
    print(f"Goal, {goal}: {'met' if is_met else 'missed'}")
    if chosen.keep:
        keep("prepare", lines, before)


def write_by_member(inbox: Path, readings: pl.DataFrame) -> None:
    """Write a file of readings for every ten colonies."""
    colonies = readings["colony_id"].unique(maintain_order=True)
    for number in range(0, len(colonies), COLONIES_EACH):
        own = colonies[number : number + COLONIES_EACH]
        readings.filter(pl.col("colony_id").is_in(own.implode())).write_csv(
            inbox / f"readings-{number}.csv", datetime_format="%Y-%m-%dT%H:%M:%S%:z"
        )


if __name__ == "__main__":
    main()
