"""Ingest: members' files into the store, and the same checks without a store.

One transaction a file: see ``arrivals.py`` for what becomes of each.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pipeline.arrivals import Arrivals
from pipeline.contracts import load_contracts
from pipeline.disk import disk_errors
from pipeline.errors import ReadError
from pipeline.file_names import shown_name
from pipeline.file_results import FileResult, IngestSummary
from pipeline.mapping import Mapping
from pipeline.opening import Opener
from pipeline.progress import SILENT, Progress
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study

__all__ = [
    "CheckResult",
    "FileResult",
    "IngestSummary",
    "Problem",
    "check_files",
    "ingest_study",
]


def ingest_study(
    study: Study, settings: Settings, progress: Progress, today: date
) -> IngestSummary:
    """Load everything new in the inbox and weather folders.

    Parameters
    ----------
    study : Study
    settings : Settings
    progress : Progress
        Shows the rows read.
    today : datetime.date
        The last day that records may speak of.

    Returns
    -------
    IngestSummary
        One result for every file met or known.

    Raises
    ------
    MappingError
        A mapping file is wrong.
    StoreError
        The store is in use or damaged, or the disk is full.
    """
    opener = Opener.of_folder(study.mappings_path, settings.ingest)
    with (
        Store.open(study.store_path) as store,
        progress.task("loading rows", unit="rows") as task,
        disk_errors(study.path, "file"),
    ):
        return Arrivals(study, store, opener, today=today, task=task).run()


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file; ``row`` is None when the whole file cannot be used."""

    file: str
    sheet: str
    row: int | None
    column: str
    value: str
    rule: str
    mend: str


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check of files found.

    Attributes
    ----------
    problems : tuple of Problem
        In the order of files, sheets and rows.
    notes : tuple of str
        What could not be checked, a sentence each.
    rows_read, rows_rejected : int
    """

    problems: tuple[Problem, ...]
    notes: tuple[str, ...]
    rows_read: int
    rows_rejected: int


def _trial(
    paths: Sequence[Path], opener: Opener, today: date, scratch: Path, given: set[str]
) -> tuple[CheckResult, set[str]]:
    """Load files into a store that is thrown away; return also which records they gave."""
    study = Study(scratch)
    names: dict[str, str] = {}
    for number, path in enumerate(paths):
        name = path.name if path.name not in names else f"{number}/{path.name}"
        (study.inbox_path / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, study.inbox_path / name)
        names[shown_name(name)] = str(path)
    study.weather_path.mkdir()
    is_checked = {record: record in given for record in load_contracts()}
    with (
        Store.open(study.store_path) as store,
        SILENT.task("checking") as task,
        disk_errors(scratch, "file"),
    ):
        summary = Arrivals(
            study, store, opener, today=today, task=task, is_checked=is_checked
        ).run()
        lines = store.connection.sql(
            'SELECT file_name, sheet, row, "column", coalesce("value", \'\'), rule, mend '
            "FROM rejected_rows ORDER BY file_name, sheet, row"
        ).fetchall()
        found = {
            record
            for record in load_contracts()
            if store.connection.sql(f'SELECT 1 FROM "{record}_rows" LIMIT 1').fetchall()
        }
    problems = [
        Problem(names[file.name], "", None, "", "", file.problem, file.mend)
        for file in summary.with_status("rejected")
    ]
    problems += [Problem(names[name], *line) for name, *line in lines]
    rows_read = sum(file.rows_read for file in summary.files)
    return CheckResult(tuple(problems), (), rows_read, summary.rows_rejected), found


def check_files(
    paths: Sequence[Path], mappings: Sequence[Mapping], settings: Settings, today: date
) -> CheckResult:
    """Check files as ingest would, without loading them anywhere.

    References are checked among the files given; a reference to a record that none of them holds
    is left unchecked, and ``notes`` says so.

    Parameters
    ----------
    paths : sequence of Path
    mappings : sequence of Mapping
    settings : Settings
    today : datetime.date

    Raises
    ------
    ReadError
        A path leads to no file.
    """
    for path in paths:
        if not path.is_file():
            raise ReadError(f"{path} is not a file.", mend="Give the path of each file to check.")
    opener = Opener(mappings, settings.ingest)
    given: set[str] = set()
    with tempfile.TemporaryDirectory(prefix="winterpool-") as folder:
        result, found = _trial(paths, opener, today, Path(folder) / "first", given)
        referred = {
            reference.record for name in found for reference in load_contracts()[name].references
        }
        if referred & found:
            result, _ = _trial(paths, opener, today, Path(folder) / "second", found)
    notes = tuple(
        f"References to {record} were not checked: none of the files holds that record."
        for record in load_contracts()
        if record in referred - found
    )
    return CheckResult(result.problems, notes, result.rows_read, result.rows_rejected)
