"""How fast ingest loads sensor readings, beside a bare load and a plain pandas script.

Run by hand, on a quiet machine:

    uv run python -m tests.benchmarks.ingest_speed --rows 10000000 --keep

Writes CSV files of invented sensor readings, one row in a thousand bad in one of six ways, then
measures processes of their own on the same files: DuckDB loading them with the types given,
leaving out what it cannot read, and no other check; ``ingest`` with every check, provenance,
archive and keys across files; ``ingest`` again with nothing new; and a pandas script that parses,
checks ranges and codes and drops duplicates. The number of rejected rows must be the number of
planted ones. ``--keep`` adds the lines to ``results/ingest.csv``.

The goals: ingest of 10 million rows within 1.5 times the bare load and below 1.5 GiB; 100 million
rows below 3 GiB in a time that grows with the rows; nothing new told in below 2 s.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from tests.benchmarks.measuring import Measured, best, conditions, keep, shown, tell

POSITIONS = ("above cluster", "brood nest", "under cover", "floor", "outside")
COLONIES = 200
BAD_EVERY = 1000
GOAL_RATIO, GOAL_MIB, GOAL_AGAIN_S = 1.5, 1536, 2.0
GOAL_MIB_LARGE, LARGE_ROWS = 3072, 30_000_000

_COLUMNS = """{{'colony_id': 'VARCHAR', 'logged_at': 'TIMESTAMPTZ', 'position': 'VARCHAR',
'temperature_c': 'DOUBLE', 'humidity_pct': 'DOUBLE', 'weight_kg': 'DOUBLE'}}"""
BARE = f"""
import duckdb, pathlib, sys
files = [str(p) for p in sorted(pathlib.Path(sys.argv[1]).glob('inbox/readings-*.csv'))]
target = pathlib.Path(sys.argv[2])
target.unlink(missing_ok=True)
connection = duckdb.connect(str(target))
connection.execute("SET TimeZone = 'UTC'")
connection.execute("SET preserve_insertion_order = false")
connection.execute(f\"\"\"CREATE TABLE readings AS FROM read_csv({{files}}, columns={_COLUMNS},
    delim=',', quote='"', header=true, auto_detect=false, ignore_errors=true)\"\"\")
print(connection.execute("SELECT count(*) FROM readings").fetchall()[0][0])
connection.close()
"""
PANDAS = f"""
import pathlib, sys
import pandas as pd
seen = []
for path in sorted(pathlib.Path(sys.argv[1]).glob('inbox/readings-*.csv')):
    rows = pd.read_csv(path, dtype=str, keep_default_na=False, na_values=[''],
                       on_bad_lines='skip')
    rows['logged_at'] = pd.to_datetime(rows['logged_at'], utc=True, errors='coerce')
    good = rows['logged_at'].notna() & rows['position'].isin({list(POSITIONS)!r})
    for column, low, high in (('temperature_c', -60, 60), ('humidity_pct', 0, 100),
                              ('weight_kg', 0, 300)):
        values = pd.to_numeric(rows[column], errors='coerce')
        good &= (values.notna() | rows[column].isna()) & (values.isna() | values.between(low, high))
        rows[column] = values
    seen.append(rows[good])
table = pd.concat(seen).drop_duplicates(['colony_id', 'logged_at', 'position'], keep='last')
table.to_parquet(sys.argv[2])
print(len(table))
"""
OURS = """
import shutil, sys
from datetime import date
from pathlib import Path
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.study import Study
study = Study(Path(sys.argv[1]))
if sys.argv[2] == "first":
    study.store_path.unlink(missing_ok=True)
    shutil.rmtree(study.archive_path, ignore_errors=True)
summary = ingest_study(study, Settings(), SILENT, date.today())
for file in summary.with_status("rejected"):
    raise SystemExit(f"{file.name}: {file.problem}")
readings = [f for f in summary.files if f.name.startswith("readings")]
print(f"{sum(f.rows_accepted for f in readings)}+{sum(f.rows_rejected for f in readings)}")
"""


def write_readings(folder: Path, rows: int, files: int) -> None:
    """Write the invented readings: each file a share of the colonies, minute by minute."""
    rng = np.random.default_rng(7)
    colonies = [f"C{number:04}" for number in range(COLONIES)]
    (folder / "a-apiaries.csv").write_text("apiary_id,member_id\nA1,M1\n")
    lines = "".join(f"{colony},A1\n" for colony in colonies)
    (folder / "b-colonies.csv").write_text("colony_id,apiary_id\n" + lines)
    begin = datetime(2013, 10, 1, tzinfo=UTC)
    per_file = rows // files
    share = COLONIES // files
    per_colony = -(-per_file // share)
    for number in range(files):
        index = pl.int_range(per_file, eager=True)
        here = pl.Series(colonies[number * share : (number + 1) * share])
        # each colony's readings follow each other, all positions at every minute
        moment = (index % per_colony) // len(POSITIONS)
        frame = pl.DataFrame(
            {
                "colony_id": here.gather(index // per_colony),
                "logged_at": (
                    pl.Series(moment * 60_000_000).cast(pl.Duration("us")) + begin
                ).dt.strftime("%Y-%m-%dT%H:%M:%S%:z"),
                "position": pl.Series(POSITIONS).gather(index % len(POSITIONS)),
                "temperature_c": rng.normal(12, 8, per_file).clip(-50, 50).round(2),
                "humidity_pct": rng.uniform(30, 95, per_file).round(1),
                "weight_kg": rng.uniform(20, 60, per_file).round(2),
            }
        ).with_columns(
            pl.when(pl.col("position") == "outside").then("weight_kg").alias("weight_kg")
        )
        path = folder / f"readings-{number:03}.csv"
        with_faults(frame).write_csv(path, quote_style="never")


def with_faults(frame: pl.DataFrame) -> pl.DataFrame:
    """Spoil one row in a thousand: by turns in six ways."""
    place = pl.int_range(pl.len())
    is_bad = place % BAD_EVERY == BAD_EVERY // 2
    fault = place // BAD_EVERY % 6

    def spoilt(number: int, column: str, text: str) -> pl.Expr:
        return pl.when(is_bad & (fault == number)).then(pl.lit(text)).otherwise(column)

    temperature = pl.col("temperature_c").cast(pl.String)
    return (
        frame.with_columns(temperature)
        .with_columns(temperature_c=spoilt(0, "temperature_c", "warm"))
        .with_columns(temperature_c=spoilt(1, "temperature_c", "99.5"))
        .with_columns(temperature_c=spoilt(2, "temperature_c", "12,5"))  # a field too many
        .with_columns(
            position=spoilt(3, "position", "roof"),
            logged_at=spoilt(4, "logged_at", "2023-10-01T00:00:00"),
            colony_id=spoilt(5, "colony_id", ""),
        )
    )


def refuse_wrong_counts(run: Measured, rows: int, files: int) -> None:
    """End when ingest rejected more or fewer rows than are bad."""
    per_file = rows // files
    bad = files * len(range(BAD_EVERY // 2, per_file, BAD_EVERY))
    if run.said != f"{per_file * files - bad}+{bad}":
        raise SystemExit(f"{bad} rows are bad, but ingest says {run.said}.")


def main() -> None:
    """Measure, print a table, keep it."""
    parser = argparse.ArgumentParser(description="Time ingest against a bare load and pandas.")
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--files", type=int, default=10)
    parser.add_argument("--repeats", type=int, default=1, help="the quickest of so many counts")
    parser.add_argument("--skip-pandas", action="store_true")
    parser.add_argument("--keep", action="store_true", help="add to results/ingest.csv")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        for place in ("inbox", "weather", "mappings"):
            (Path(name) / place).mkdir()
        write_readings(Path(name) / "inbox", chosen.rows, chosen.files)
        size = sum(p.stat().st_size for p in (Path(name) / "inbox").iterdir()) / 2**20
        print(f"{chosen.rows:,} invented rows in {chosen.files} files, {size:,.0f} MiB of CSV")
        before = conditions()
        bare = best(BARE, name, f"{name}/bare.duckdb", repeats=chosen.repeats)
        runs = {"duckdb, bare typed load (baseline)": bare}
        ours = best(OURS, name, "first", repeats=chosen.repeats)
        refuse_wrong_counts(ours, chosen.rows, chosen.files)
        runs["winterpool ingest"] = ours
        again = best(OURS, name, "again", repeats=chosen.repeats)
        runs["winterpool ingest, nothing new"] = again
        if not chosen.skip_pandas:
            runs["pandas script"] = best(PANDAS, name, f"{name}/pandas.parquet")
    lines = [shown(title, run, bare, chosen.rows) for title, run in runs.items()]
    tell(lines)
    is_large = chosen.rows >= LARGE_ROWS
    most_mib = GOAL_MIB_LARGE if is_large else GOAL_MIB
    goals = {
        f"below {most_mib:,} MiB": ours.peak_mib < most_mib,
        f"at most {GOAL_RATIO} × the bare load": is_large
        or ours.seconds <= GOAL_RATIO * bare.seconds,
        f"nothing new in below {GOAL_AGAIN_S} s": is_large or again.seconds < GOAL_AGAIN_S,
    }
    for goal, is_met in goals.items():
        print(f"Goal, {goal}: {'met' if is_met else 'missed'}")
    if chosen.keep:
        keep("ingest", lines, before)


if __name__ == "__main__":
    main()
