"""How fast ingest loads sensor readings, beside a bare load and a plain pandas script.

Run by hand, on a quiet machine:

    uv run python tests/benchmarks/ingest_speed.py --rows 10000000

Writes CSV files of sensor readings, then times three subprocesses on the same files: DuckDB
loading them with the types given and no check at all; ``ingest`` with every check, provenance
and keys across files; and a pandas script that parses, checks ranges and codes and drops
duplicates. Peak memory is that of each subprocess. The readings are invented.

The goal: ingest within 3.5 times the bare load, below 2 GiB.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import psutil

ROOT = Path(__file__).parents[2]
POSITIONS = ("above cluster", "brood nest", "under cover", "floor", "outside")
COLONIES = 200
FILES = 10
GOAL_RATIO = 3.5
GOAL_MIB = 2048

_COLUMNS = """{{'colony_id': 'VARCHAR', 'logged_at': 'TIMESTAMPTZ', 'position': 'VARCHAR',
'temperature_c': 'DOUBLE', 'humidity_pct': 'DOUBLE', 'weight_kg': 'DOUBLE'}}"""
BARE = f"""
import duckdb, pathlib, sys
files = [str(p) for p in sorted(pathlib.Path(sys.argv[1]).glob('inbox/readings-*.csv'))]
connection = duckdb.connect(sys.argv[2])
connection.execute("SET TimeZone = 'UTC'")
connection.execute("SET preserve_insertion_order = false")
connection.execute(f\"\"\"CREATE TABLE readings AS FROM read_csv({{files}}, columns={_COLUMNS},
    delim=',', quote='"', header=true, auto_detect=false)\"\"\")
print(connection.execute("SELECT count(*) FROM readings").fetchall()[0][0])
connection.close()
"""
PANDAS = f"""
import pathlib, sys
import pandas as pd
total = 0
seen = []
for path in sorted(pathlib.Path(sys.argv[1]).glob('inbox/readings-*.csv')):
    rows = pd.read_csv(path, dtype=str, keep_default_na=False, na_values=[''])
    rows['logged_at'] = pd.to_datetime(rows['logged_at'], utc=True, errors='coerce')
    good = rows['logged_at'].notna() & rows['position'].isin({list(POSITIONS)!r})
    for column, low, high in (('temperature_c', -60, 60), ('humidity_pct', 0, 100),
                              ('weight_kg', 0, 300)):
        values = pd.to_numeric(rows[column], errors='coerce')
        good &= (values.notna() | rows[column].isna()) & (values.isna() | values.between(low, high))
        rows[column] = values
    seen.append(rows[good])
table = pd.concat(seen).drop_duplicates(['colony_id', 'logged_at', 'position'], keep='last')
print(len(table))
table.to_parquet(sys.argv[2])
"""
OURS = """
import sys
from datetime import date
from pathlib import Path
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.study import Study
summary = ingest_study(Study(Path(sys.argv[1])), Settings(), SILENT, date.today())
for file in summary.with_status("rejected"):
    raise SystemExit(f"{file.name}: {file.problem}")
print(sum(f.rows_accepted for f in summary.files if f.name.startswith("readings")))
"""


def write_readings(folder: Path, rows: int) -> None:
    """Write the invented readings: ten files, each a share of the colonies, minute by minute."""
    rng = np.random.default_rng(7)
    colonies = [f"C{number:04}" for number in range(COLONIES)]
    (folder / "a-apiaries.csv").write_text("apiary_id,member_id\nA1,M1\n")
    lines = "".join(f"{colony},A1\n" for colony in colonies)
    (folder / "b-colonies.csv").write_text("colony_id,apiary_id\n" + lines)
    begin = datetime(2023, 10, 1, tzinfo=UTC)
    per_file = rows // FILES
    share = COLONIES // FILES
    for number in range(FILES):
        index = pl.int_range(per_file, eager=True)
        here = pl.Series(colonies[number * share : (number + 1) * share])
        # each colony's readings follow each other, all positions at every minute
        per_colony = -(-per_file // share)
        moment = (index % per_colony) // len(POSITIONS)
        frame = pl.DataFrame(
            {
                "colony_id": here.gather(index // per_colony),
                "logged_at": pl.Series(moment * 60_000_000).cast(pl.Duration("us")) + begin,
                "position": pl.Series(POSITIONS).gather(index % len(POSITIONS)),
                "temperature_c": rng.normal(12, 8, per_file).clip(-50, 50).round(2),
                "humidity_pct": rng.uniform(30, 95, per_file).round(1),
                "weight_kg": rng.uniform(20, 60, per_file).round(2),
            }
        ).with_columns(
            pl.when(pl.col("position") == "outside").then("weight_kg").alias("weight_kg")
        )
        frame.write_csv(folder / f"readings-{number}.csv", datetime_format="%Y-%m-%dT%H:%M:%S%:z")


def run_timed(script: str, *arguments: str) -> tuple[float, float, int]:
    """Run a script in its own process; return seconds, peak memory [MiB] and rows it counted."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-c", script, *arguments],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    peak = 0.0

    def watch() -> None:
        nonlocal peak
        watched = psutil.Process(process.pid)
        while process.poll() is None:
            try:
                peak = max(peak, watched.memory_info().rss / 2**20)
            except psutil.NoSuchProcess:
                return
            time.sleep(0.02)

    watcher = threading.Thread(target=watch)
    watcher.start()
    said = process.communicate()[0]
    seconds = time.perf_counter() - begun
    watcher.join()
    if process.returncode:
        raise SystemExit(f"A subprocess failed with code {process.returncode}.")
    return seconds, peak, int(said.split()[-1])


def main() -> None:
    """Time the three and print a table."""
    parser = argparse.ArgumentParser(description="Time ingest against a bare load and pandas.")
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--skip-pandas", action="store_true")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON too")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for place in ("inbox", "weather", "mappings"):
            (folder / place).mkdir()
        write_readings(folder / "inbox", chosen.rows)
        size = sum(p.stat().st_size for p in (folder / "inbox").iterdir()) / 2**20
        print(f"{chosen.rows:,} rows in {FILES} files, {size:,.0f} MiB of CSV (invented readings)")
        runs = {"duckdb, bare load": run_timed(BARE, name, str(folder / "bare.duckdb"))}
        runs["winterpool ingest"] = run_timed(OURS, name)
        if not chosen.skip_pandas:
            runs["pandas script"] = run_timed(PANDAS, name, str(folder / "pandas.parquet"))
    bare = runs["duckdb, bare load"][0]
    print(f"{'':20}{'seconds':>9}{'rows/s':>12}{'peak MiB':>10}{'× bare':>8}{'rows':>12}")
    for title, (seconds, peak, rows) in runs.items():
        print(
            f"{title:20}{seconds:9.2f}{chosen.rows / seconds:12,.0f}{peak:10,.0f}"
            f"{seconds / bare:8.2f}{rows:12,}"
        )
    ours = runs["winterpool ingest"]
    is_met = ours[0] <= GOAL_RATIO * bare and ours[1] < GOAL_MIB
    goal = f"at most {GOAL_RATIO} × the bare load, below {GOAL_MIB:,} MiB"
    print(f"Goal ({goal}): {'met' if is_met else 'missed'}")
    if chosen.json:
        print(json.dumps(runs))


if __name__ == "__main__":
    main()
