"""What loggers' features of a national pool cost, from one thousandth of it.

Run by hand, on a quiet machine:

    uv run python -m tests.benchmarks.partitions_speed --colonies 100 --keep

The pool: 100,000 logged colonies, ten winters from October to March, a row an hour at two
positions, 8.7 billion readings. Writes the invented readings of some of its colonies as one Parquet
file, which is one task of ``pipeline/partitions.py``, and measures processes of their own: DuckDB
reducing the file to days, the least that any way must do, and the task. Tasks know nothing of each
other, so the pool costs as many of them; that last step is reckoned, not run.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import polars as pl

from pipeline.partitions import TABLES
from pipeline.progress import SILENT
from pipeline.runner import ingest
from pipeline.settings import Settings
from pipeline.stages.graph import derive
from pipeline.store import Store
from pipeline.study import new_study
from tests.benchmarks.associations import Size, hourly_readings, records, write_association
from tests.benchmarks.measuring import conditions, keep, measured, shown, tell

POSITIONS = ("above cluster", "outside")
WINTERS, COLONIES_EACH, POOL = 10, 10, 100_000

BARE = """
import duckdb, sys
connection = duckdb.connect()
connection.execute("SET TimeZone = 'UTC'")
days = connection.sql(\"\"\"SELECT colony_id, CAST(logged_at AS DATE) AS day, position,
    count(*), avg(temperature_c), min(temperature_c), max(temperature_c), avg(humidity_pct)
    FROM read_parquet(?) GROUP BY ALL ORDER BY ALL\"\"\", params=[sys.argv[1]]).pl()
print(len(days))
"""
TASK = """
import sys
from pipeline.partitions import features_of_partition
from pipeline.settings import Settings
found = features_of_partition(sys.argv[1], sys.argv[2], Settings())
print(int((found["condensation_measured_h"] > 0).sum()))
"""


def main() -> None:
    """Measure, print a table and what it comes to for the pool, keep it."""
    parser = argparse.ArgumentParser(description="Time loggers' features of one partition.")
    parser.add_argument("--colonies", type=int, default=100)
    parser.add_argument("--keep", action="store_true", help="add to results/partitions.csv")
    chosen = parser.parse_args()
    size = Size(chosen.colonies // COLONIES_EACH, COLONIES_EACH, WINTERS)
    with tempfile.TemporaryDirectory() as name:
        study = new_study(Path(name) / "study")
        write_association(study.inbox_path, study.weather_path, records(size))
        ingest(study.path, SILENT)
        with Store.open(study.store_path) as store:
            derive(store, Settings(), SILENT)
            for table in TABLES:
                store.table(table).write_parquet(Path(name) / f"{table}.parquet")
        part = Path(name) / "part.parquet"
        readings = hourly_readings(size, POSITIONS).with_columns(
            weight_kg=pl.lit(None, dtype=pl.Float64)
        )
        readings.write_parquet(part)
        rows = readings.height
        print(f"{rows:,} invented readings, {part.stat().st_size / 2**20:,.0f} MiB of Parquet")
        before = conditions()
        bare = measured(BARE, str(part))
        task = measured(TASK, str(part), name)
    if task.said != str(chosen.colonies * WINTERS):
        raise SystemExit(f"Hive air of {task.said} colony-winters only.")
    runs = {"duckdb, bare daily aggregate (baseline)": bare, "features of one partition": task}
    lines = [shown(title, run, bare, rows) for title, run in runs.items()]
    tell(lines)
    tasks = POOL / chosen.colonies
    hours = task.cpu_seconds * tasks / 3600
    print(
        f"The pool, reckoned: {tasks:,.0f} such tasks, {rows * tasks:,.0f} readings, {hours:,.1f} "
        f"hours of CPU with every task in a fresh process, {task.peak_mib:,.0f} MiB a worker"
    )
    if chosen.keep:
        keep("partitions", lines, before)


if __name__ == "__main__":
    main()
