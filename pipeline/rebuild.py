"""Rebuild: a new store from the archived files, swapped in whole, the old one kept beside it.

Names and order of arrival come from the journal; where that lacks a file, from the old store's
ledger if it can be read; where that lacks it too, the name from a file of the same content in the
inbox, and the order from when the archived copy was made. Killed at any moment, the old store
stands, or the new one.
"""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from pipeline.archive import Archive, file_sha256
from pipeline.arrivals import Arrivals
from pipeline.disk import disk_errors
from pipeline.errors import StoreError
from pipeline.file_results import IngestSummary
from pipeline.journal import Journal, JournalLine
from pipeline.ledger import read_ledger
from pipeline.lock import Lock
from pipeline.opening import Opener
from pipeline.progress import Progress
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study

_DIGEST = re.compile("[0-9a-f]{64}")
_SUFFIX_OF_START = ((b"PK\x03\x04", ".xlsx"), (b"PAR1", ".parquet"), (b"\x1f\x8b", ".csv.gz"))


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What a rebuild did.

    Attributes
    ----------
    summary : IngestSummary
        What became of each archived file.
    backup : Path or None
        Where the old store stands now; None when there was none.
    unnamed : tuple of str
        Names made up for archived files whose own are known nowhere.
    healed : tuple of str
        Names of files whose archived copy was damaged and has been replaced from the inbox.
    """

    summary: IngestSummary
    backup: Path | None
    unnamed: tuple[str, ...]
    healed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Inbox:
    """Files at hand in the inbox and weather folders, by content."""

    study: Study

    def find(self, sha256: str, size_bytes: int) -> tuple[Path, str, str] | None:
        """Path, name and folder of a file with that content."""
        for root, folder in (
            (self.study.inbox_path, "inbox"),
            (self.study.weather_path, "weather"),
        ):
            for path in sorted(root.rglob("*")):
                if path.is_symlink() or not path.is_file() or path.stat().st_size != size_bytes:
                    continue
                if file_sha256(path) == sha256:
                    return path, path.relative_to(root).as_posix(), folder
        return None


def _suffix(path: Path) -> str:
    with path.open("rb") as file:
        start = file.read(4)
    return next((suffix for magic, suffix in _SUFFIX_OF_START if start.startswith(magic)), ".csv")


def _unlisted(study: Study, listed: set[str], last_no: int) -> list[JournalLine]:
    """Lines for archived files that are listed nowhere, in the order of their copies' times."""
    inbox = _Inbox(study)
    found = [
        path
        for path in study.archive_path.glob("??/*")
        if _DIGEST.fullmatch(path.name) and path.name not in listed and path.is_file()
    ]
    lines = []
    by_age = sorted(found, key=lambda path: (path.stat().st_mtime_ns, path.name))
    for number, path in enumerate(by_age, last_no + 1):
        size = path.stat().st_size
        at_hand = inbox.find(path.name, size)
        name, folder = at_hand[1:] if at_hand else (f"{path.name[:12]}{_suffix(path)}", "inbox")
        lines.append(JournalLine(number, path.name, name, folder, size, "loaded"))
    return lines


def complete_journal(study: Study) -> tuple[str, ...]:
    """Make the journal name every file that the old store or the archive knows.

    Returns
    -------
    tuple of str
        Names made up for files whose own are known nowhere.

    Raises
    ------
    StoreError
        Another program has the store open for writing.
    """
    journal = Journal(study.archive_path)
    lines = dict(journal.lines)
    known = {line.entry.key for line in lines.values()}
    for line in read_ledger(study.store_path):
        if line.entry.key in known:
            continue
        number = line.file_no if line.file_no not in lines else max(lines) + 1
        lines[number] = replace(line, file_no=number)
    listed = {line.file_sha256 for line in lines.values()}
    unlisted = _unlisted(study, listed, max(lines, default=0))
    if len(lines) > len(journal.lines) or unlisted or journal.damaged:
        journal.rewrite([*lines.values(), *unlisted])
    return tuple(line.name for line in unlisted if line.name.startswith(line.file_sha256[:12]))


def heal_archive(study: Study) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Replace damaged archived copies by files of the same content in the inbox.

    Returns
    -------
    healed, damaged : tuple of str
        Names of the files replaced, and of those still damaged or gone.
    """
    archive, inbox = Archive(study.archive_path), _Inbox(study)
    healed, damaged = [], []
    for line in Journal(study.archive_path).lines.values():
        if line.status != "loaded" or archive.is_unchanged(line.file_sha256):
            continue
        at_hand = inbox.find(line.file_sha256, line.size_bytes)
        if at_hand is None:
            damaged.append(line.name)
            continue
        study.rebuilding_path.mkdir(exist_ok=True)
        draft = study.rebuilding_path / line.file_sha256
        shutil.copyfile(at_hand[0], draft)
        archive.keep(draft, line.file_sha256)
        healed.append(line.name)
    return tuple(healed), tuple(damaged)


def _wal(store: Path) -> Path:
    return store.with_name(store.name + ".wal")


def _keep_beside(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:  # a file system without links
        shutil.copy2(source, target)


def _backup_path(study: Study) -> Path:
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    for number in range(1, 1000):
        mark = stamp if number == 1 else f"{stamp}-{number}"
        path = study.path / f"store-before-{mark}.duckdb"
        if not path.exists():
            return path
    raise StoreError(
        f"There are too many backups of the store in {study.path}.",
        mend="Move some files named store-before-… elsewhere and give the same command again.",
    )


def _settle(study: Study) -> Path | None:
    """Put the old store of a swap in its place, and sweep away what a killed rebuild left."""
    before = study.rebuilding_path / "before.duckdb"
    backup = None
    is_swapped = before.exists() and not (
        study.store_path.exists() and before.samefile(study.store_path)
    )
    if is_swapped:
        backup = _backup_path(study)
        if _wal(before).exists():
            os.replace(_wal(before), _wal(backup))
        os.replace(before, backup)
    shutil.rmtree(study.rebuilding_path, ignore_errors=True)
    return backup


def _swap(study: Study, made: Path) -> Path | None:
    """Put the new store in the old one's place and return where the old one stands."""
    before = study.rebuilding_path / "before.duckdb"
    with made.open("rb+") as file:
        os.fsync(file.fileno())
    if study.store_path.exists():
        if _wal(study.store_path).exists():
            _keep_beside(_wal(study.store_path), _wal(before))
        _keep_beside(study.store_path, before)
    _wal(study.store_path).unlink(missing_ok=True)  # it must never be replayed into the new one
    os.replace(made, study.store_path)
    return _settle(study)


def rebuild_study(
    study: Study,
    settings: Settings,
    progress: Progress,
    today: date,
    *,
    leaves_out_damaged: bool = False,
) -> Rebuilt:
    """Make the store anew from the archived files, by the mappings as they are now.

    Parameters
    ----------
    study : Study
    settings : Settings
    progress : Progress
        Shows the rows read.
    today : datetime.date
        The last day that records may speak of.
    leaves_out_damaged : bool
        Go on without files whose archived copy is damaged and which are not in the inbox.

    Returns
    -------
    Rebuilt

    Raises
    ------
    MappingError
        A mapping file is wrong.
    StoreError
        The study is in use, an archived copy is damaged, or the disk is full. The old store is as
        it was.
    """
    opener = Opener.of_folder(study.mappings_path, settings.ingest)
    with (
        Lock.held(study.step_lock_path),
        Lock.held(study.store_path.with_suffix(".lock")),
        disk_errors(study.path, "rebuild"),
    ):
        _settle(study)
        unnamed = complete_journal(study)
        healed, damaged = heal_archive(study)
        if damaged and not leaves_out_damaged:
            raise _damaged_copies(study, damaged)
        study.rebuilding_path.mkdir(exist_ok=True)
        made = study.rebuilding_path / "store.duckdb"
        with Store.open(made) as store, progress.task("loading rows", unit="rows") as task:
            arrivals = Arrivals(study, store, opener, today=today, task=task)
            summary = arrivals.run(takes_new=False)
        backup = _swap(study, made)
    return Rebuilt(summary, backup, unnamed, healed)


def _damaged_copies(study: Study, damaged: tuple[str, ...]) -> StoreError:
    count = "1 archived file is" if len(damaged) == 1 else f"{len(damaged)} archived files are"
    shown = ", ".join(damaged[:10]) + (" and others" if len(damaged) > 10 else "")
    return StoreError(
        f"{count} damaged or gone ({shown}); nothing was changed.",
        mend="Put them into the inbox again, as they were sent, and try again; or "
        f"go on without them: winterpool rebuild {study.path} --leave-out-damaged.",
    )
