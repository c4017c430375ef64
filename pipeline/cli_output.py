"""What the commands print on stdout: plain lines and tables, nothing computed here."""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path

import typer

from pipeline.runner import STEPS, StepDone, is_current
from pipeline.settings import read_settings
from pipeline.store import Store
from pipeline.study import Study

_REJECTED_SQL = """
SELECT file_name, sheet, "row", "column", "value", rule, mend, count(*) OVER () AS total
FROM rejected_rows ORDER BY file_name, sheet, "row", "column" LIMIT ?
"""
_BY_MEMBER_SQL = """
SELECT member_id, count(DISTINCT apiary_id) AS apiaries, count(DISTINCT colony_id) AS colonies,
       count(DISTINCT winter) AS winters, count(*) AS colony_winters,
       count(*) FILTER (exclusion_reason IS NULL) AS analysed
FROM colony_winters WHERE member_id IS NOT NULL GROUP BY member_id ORDER BY member_id
"""


def _plain(value: object) -> str:
    """One line of printable text, whatever a member's cell held."""
    text = "" if value is None else str(value)
    text = "".join(c if c.isprintable() else " " for c in text)
    return text if len(text) <= 80 else text[:79] + "…"


def print_table(headings: tuple[str, ...], rows: list[tuple[object, ...]]) -> None:
    """Print rows under headings, columns aligned."""
    cells = [tuple(_plain(v) for v in row) for row in rows]
    widths = [
        max([len(head), *(len(row[i]) for row in cells)]) for i, head in enumerate(headings)
    ]
    for row in (headings, tuple("-" * w for w in widths), *cells):
        typer.echo("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())


def print_check(paths: list[Path], study_path: Path | None) -> int:
    """Check files and print each problem as one comma-separated line; return the exit code."""
    from pipeline.ingest import check_files
    from pipeline.mapping import load_mappings
    from pipeline.settings import Settings

    study = Study(study_path) if study_path else None
    settings = read_settings(study.settings_path) if study else Settings()
    mappings = load_mappings(study.mappings_path) if study else []
    found = check_files(paths, mappings, settings, date.today())
    if found.problems:
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(("file", "sheet", "row", "column", "value", "rule", "how to mend"))
        for p in found.problems:
            writer.writerow(
                [_plain(v) for v in (p.file, p.sheet, p.row, p.column, p.value, p.rule)] + [p.mend]
            )
        typer.echo(text.getvalue(), nl=False)
    for note in found.notes:
        typer.echo(note, err=True)
    typer.echo(
        f"{found.rows_read:,} rows read, {found.rows_rejected:,} would be rejected.", err=True
    )
    return 1 if found.problems else 0


def print_step(done: StepDone, path: Path) -> None:
    """Say what a step did and where its result is."""
    study = Study(path)
    where = {
        "prepare": "table colony_winters",
        "fit": str(study.results_path / "estimands.csv"),
        "report": str(study.report_page),
    }[done.step]
    if done.has_run:
        typer.echo(f"{done.step}: done in {done.seconds:.0f} s -> {where}")
    else:
        typer.echo(f"{done.step}: up to date -> {where}")


def _print_records(store: Store) -> None:
    from pipeline.contracts import load_contracts

    rows: list[tuple[object, ...]] = []
    for record in load_contracts():
        ((current, superseded, files),) = store.connection.sql(
            f"SELECT count(*) FILTER (NOT _is_superseded), count(*) FILTER (_is_superseded), "
            f"count(DISTINCT _file_sha256) FROM {record}_rows"
        ).fetchall()
        if files:
            rows.append((record, f"{current:,}", f"{superseded:,}", files))
    print_table(("record", "rows", "superseded", "files"), rows)


def print_status(path: Path, shown: int = 20) -> None:
    """Print what is loaded, from whom, what was rejected and what is out of date.

    Parameters
    ----------
    path : Path
        The study folder.
    shown : int
        Most rejected rows to print one by one.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    typer.echo(f"Study: {settings.study.name} ({study.path})")
    if not study.store_path.exists():
        typer.echo(f"Nothing is loaded yet. Put files into {study.inbox_path} and run:")
        typer.echo(f"  winterpool run {path}")
        return
    with Store.open(study.store_path, read_only=True) as store:
        typer.echo("\nFiles")
        files = store.connection.sql(
            "SELECT file_no, folder || '/' || name, status, rows_read, rows_accepted, "
            "rows_rejected, problem, mend FROM files ORDER BY file_no"
        ).fetchall()
        print_table(
            ("no", "file", "status", "read", "accepted", "rejected"), [f[:6] for f in files]
        )
        for file in files:
            if file[6]:
                typer.echo(f"  {_plain(file[1])}: {file[6]} {file[7] or ''}")
        typer.echo("\nRecords")
        _print_records(store)
        if store.has_table("colony_winters"):
            typer.echo("\nMembers")
            print_table(
                ("member", "apiaries", "colonies", "winters", "colony-winters", "analysed"),
                store.connection.sql(_BY_MEMBER_SQL).fetchall(),
            )
        rejected = store.connection.execute(_REJECTED_SQL, [shown]).fetchall()
        if rejected:
            total = rejected[0][7]
            typer.echo(f"\nRejected ({min(shown, total)} of {total:,} problems)")
            print_table(
                ("file", "sheet", "row", "column", "value", "rule", "how to mend"),
                [r[:7] for r in rejected],
            )
            if total > shown:
                typer.echo("All of them: table rejected_rows of store.duckdb.")
    typer.echo("\nSteps")
    print_table(
        ("step", "state"),
        [(s, "up to date" if is_current(s, study, settings) else "out of date") for s in STEPS],
    )
