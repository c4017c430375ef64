"""What the commands print on stdout: plain lines and tables, nothing computed here."""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from pipeline.errors import StoreError
from pipeline.runner import STEPS, StepDone, is_current
from pipeline.settings import read_settings
from pipeline.store import Store
from pipeline.store_check import Soundness, check_soundness
from pipeline.study import Study

if TYPE_CHECKING:
    from pipeline.ingest import IngestSummary

_WIDEST = 100
"""Characters of a cell that a table shows."""
_FILES_SQL = """
SELECT file_no, folder || '/' || name, status, rows_read, rows_accepted, rows_rejected, problem,
       coalesce(mend, ''), file_no < max(file_no) OVER (PARTITION BY folder, name)
FROM files ORDER BY file_no
"""
_SENT_AGAIN = """
SELECT file_sha256 FROM (SELECT file_sha256, file_no < max(file_no) OVER (PARTITION BY folder, name)
                         AS is_earlier FROM files) WHERE is_earlier
"""
_REJECTED_SQL = f"""
SELECT file_name, sheet, record, "column", rule, count(DISTINCT "row") AS rows,
       min("row") AS first_row, any_value(mend ORDER BY "row") AS mend
FROM rejected_rows WHERE rule <> 'ignored by mapping' AND file_sha256 NOT IN ({_SENT_AGAIN})
GROUP BY file_name, sheet, record, "column", rule ORDER BY rows DESC, file_name, first_row
"""
_EARLIER_SQL = f"""
SELECT count(DISTINCT (file_sha256, sheet, "row")) FROM rejected_rows
WHERE rule <> 'ignored by mapping' AND file_sha256 IN ({_SENT_AGAIN})
"""
_SET_ASIDE_SQL = """
SELECT file_name, sheet, count(*) AS rows, mend
FROM rejected_rows WHERE rule = 'ignored by mapping'
GROUP BY file_name, sheet, mend ORDER BY file_name, rows DESC
"""
_BY_MEMBER_SQL = """
SELECT member_id, count(DISTINCT apiary_id) AS apiaries, count(DISTINCT colony_id) AS colonies,
       count(DISTINCT winter) AS winters, count(*) AS colony_winters,
       count(*) FILTER (exclusion_reason IS NULL) AS analysed
FROM colony_winters WHERE member_id IS NOT NULL GROUP BY member_id ORDER BY member_id
"""


def printable(value: object) -> str:
    """One line of text that no terminal takes for a command, whatever a member wrote."""
    text = "" if value is None else str(value)
    return "".join(c if c.isprintable() else " " for c in text)


def _plain(value: object) -> str:
    """A cell of a table: a line of printable text that is not too long."""
    text = printable(value)
    return text if len(text) <= _WIDEST else text[: _WIDEST - 1] + "…"


def print_table(headings: tuple[str, ...], rows: list[tuple[object, ...]]) -> None:
    """Print rows under headings, columns aligned; only the last is never shortened."""
    cells = [(*(_plain(v) for v in row[:-1]), printable(row[-1])) for row in rows]
    widths = [max([len(head), *(len(row[i]) for row in cells)]) for i, head in enumerate(headings)]
    for row in (headings, tuple("-" * min(w, _WIDEST) for w in widths), *cells):
        typer.echo("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())


def print_check(paths: list[Path], study_path: Path | None) -> int:
    """Check files and print each problem as one comma-separated line; return the exit code."""
    from pipeline.ingest import check_files
    from pipeline.mapping import load_mappings
    from pipeline.receipt_page import safe_cell
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
            told = [_plain(v) for v in (p.file, p.sheet, p.row, p.column, p.value)]
            whole = [printable(v) for v in (p.rule, p.mend)]
            writer.writerow([safe_cell(v) for v in (*told, *whole)])
        typer.echo(text.getvalue(), nl=False)
    for note in found.notes:
        typer.echo(note, err=True)
    refused = len({p.file for p in found.problems if p.row is None})
    typer.echo(
        f"{found.rows_read:,} rows read, {found.rows_rejected:,} would be rejected; "
        f"{_files(refused)} would not be loaded. This was a trial: nothing has been loaded.",
        err=True,
    )
    return 1 if found.problems else 0


def _told(place: str, problem: str, mend: str) -> str:
    """One file's trouble, the file named once and by its whole place."""
    short = Path(place).name
    said = printable(f"{problem} {mend}")
    if said.startswith(short):
        return _plain(place) + said[len(short) :]
    return f"{_plain(place)}: {said}"


def print_ingest(summary: IngestSummary, study: Path, command: str = "ingest") -> None:
    """Say what became of every file that was not simply unchanged, and what to do about it."""
    changed = [f for f in summary.files if f.status != "unchanged"]
    if changed:
        print_table(
            ("file", "status", "read", "accepted", "rejected"),
            [
                (
                    f"{f.folder}/{f.name}",
                    f.status,
                    f"{f.rows_read:,}",
                    f"{f.rows_accepted:,}",
                    f"{f.rows_rejected:,}",
                )
                for f in changed
            ],
        )
    for f in changed:
        if f.problem:
            typer.echo(_told(f"{f.folder}/{f.name}", f.problem, f.mend))
        elif not f.rows_read:
            typer.echo(f"{_plain(f.folder + '/' + f.name)} holds headings but no row.")
    refused = len(summary.with_status("rejected"))
    unchanged = len(summary.with_status("unchanged"))
    typer.echo(
        f"{command}: {summary.rows_accepted:,} rows accepted, {summary.rows_rejected:,} rejected, "
        f"{_files(refused)} not loaded, {_files(unchanged)} unchanged"
    )
    if refused or summary.rows_rejected:
        _print_next(study)


def _files(number: int) -> str:
    return "1 file" if number == 1 else f"{number:,} files"


def _print_next(study: Path) -> None:
    typer.echo(
        "All that was accepted, now and before, is in the store. A rejected row is kept there with "
        "its reason; a file that was not loaded has changed nothing."
    )
    typer.echo(f"Why each was rejected and how to mend it: winterpool status {study}")
    typer.echo(f"The same as a page for each file's sender: winterpool receipts {study}")
    typer.echo(
        "Put a mended file into the inbox in the old one's place, under the same name; then:"
    )
    typer.echo(f"  winterpool run {study}")


def print_truth(path: Path) -> None:
    """Print the estimates of a demonstration beside the truth it was made from."""
    from pipeline.demo import compare_with_truth

    rows = compare_with_truth(path)
    typer.echo("\nThe invented truth beside the estimates (95 % limits)")

    def number(value: float | None) -> str:
        return "" if value is None else f"{value:+.2f}"

    print_table(
        ("outcome", "contrast", "measure", "truth", "estimate", "from", "to", "covered"),
        [
            (
                r.outcome,
                r.contrast,
                f"{r.measure} [{r.unit}]",
                number(r.truth),
                number(r.estimate),
                number(r.lower),
                number(r.upper),
                r.status if r.is_covered is None else ("yes" if r.is_covered else "no"),
            )
            for r in rows
        ],
    )


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


def print_status(path: Path, shown: int = 40, *, reads_all: bool = False) -> None:
    """Print what is loaded, from whom, what was rejected and what is out of date.

    Parameters
    ----------
    path : Path
        The study folder.
    shown : int
        Most kinds of problem to print.
    reads_all : bool
        Compare everything archived and stored, however large.

    Raises
    ------
    StoreError
        The archive or the store is damaged; each damage has been printed with its mend.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    typer.echo(f"Study: {printable(settings.study.name)} ({study.path})")
    sound = check_soundness(study, reads_all=reads_all)
    if not study.store_path.exists() and not sound.damages:
        typer.echo(f"Nothing is loaded yet. Put files into {study.inbox_path} and run:")
        typer.echo(f"  winterpool run {path}")
        return
    if not sound.is_unreadable:
        _print_loaded(study, shown)
        typer.echo("\nSteps")
        print_table(
            ("step", "state"),
            [(s, "up to date" if is_current(s, study, settings) else "out of date") for s in STEPS],
        )
    _print_soundness(study, sound)


def _print_soundness(study: Study, sound: Soundness) -> None:
    typer.echo("\nArchive and store")
    for damage in sound.damages:
        typer.echo(f"  {damage.problem} {damage.mend}")
    if sound.damages:
        number = "1 thing is" if len(sound.damages) == 1 else f"{len(sound.damages)} things are"
        raise StoreError(
            f"{number} damaged in the archive or the store of {study.path}.",
            mend="The list above says how to mend each.",
        )
    typer.echo(f"Sound: {sound.files} archived files are there, and the store agrees with them.")
    if sound.files_read < sound.files:
        typer.echo(
            f"Of {sound.files - sound.files_read} files only the size was compared; "
            "--verify compares all they hold."
        )


def _print_files(store: Store, study: Study) -> None:
    """Every file that came, and what is still to be done about one that was not loaded."""
    rows: list[tuple[object, ...]] = []
    to_mend = []
    for *start, status, read, accepted, rejected, problem, mend, is_earlier in store.connection.sql(
        _FILES_SQL
    ).fetchall():
        place, state = start[-1], status
        if status == "rejected" and is_earlier:
            state = "sent again"
        elif status == "rejected" and not (study.path / place).exists():
            state = "taken away"
        elif problem:
            to_mend.append(_told(place, problem, mend))
        rows.append((*start, state, read, accepted, rejected))
    print_table(("no", "file", "status", "read", "accepted", "rejected"), rows)
    for told in to_mend:
        typer.echo(f"  {told}")


def _print_loaded(study: Study, shown: int) -> None:
    with Store.open(study.store_path, read_only=True) as store:
        typer.echo("\nFiles")
        _print_files(store, study)
        typer.echo("\nRecords")
        _print_records(store)
        if store.has_table("colony_winters"):
            typer.echo("\nMembers")
            print_table(
                ("member", "apiaries", "colonies", "winters", "colony-winters", "analysed"),
                store.connection.sql(_BY_MEMBER_SQL).fetchall(),
            )
        rejected = store.connection.sql(_REJECTED_SQL).fetchall()
        if rejected:
            typer.echo(
                "\nRejected, by kind of problem (each row: table rejected_rows of the store)"
            )
            print_table(
                ("file", "sheet", "record", "column", "rule", "rows", "first row", "how to mend"),
                rejected[:shown],
            )
            if len(rejected) > shown:
                typer.echo(f"and {len(rejected) - shown} more kinds.")
        ((earlier,),) = store.connection.sql(_EARLIER_SQL).fetchall()
        if earlier:
            typer.echo(
                f"\n{earlier:,} rejected rows are of files that have come again under the same "
                "name, and are not listed here."
            )
        aside = store.connection.sql(_SET_ASIDE_SQL).fetchall()
        if aside:
            typer.echo("\nSet aside on purpose, by a mapping")
            print_table(("file", "sheet", "rows", "reason"), aside)
