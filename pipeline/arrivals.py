"""Arrivals: which files are new, changed or waiting, and each of them into the store.

A file is known by the digest of its content. Its place in the order of arrival never changes,
also when it is read again because its mapping was corrected or because a row it refers to has
arrived meanwhile. Killed at any moment, the store is as it was before or after some file.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from pipeline.archive import Archive, copy_and_digest, file_sha256
from pipeline.contracts import load_contracts
from pipeline.disk import disk_errors
from pipeline.errors import ContractError, MappingError, ReadError, WinterpoolError
from pipeline.file_names import shown_name
from pipeline.loading import FileEntry, load_file, waiting_files, write_entry
from pipeline.opening import Opener
from pipeline.progress import Task
from pipeline.readers.files import refuse_unfit
from pipeline.staging import stage_file
from pipeline.store import Store
from pipeline.study import Study


@dataclass(frozen=True, slots=True)
class FileResult:
    """What became of one file in one ingest.

    Attributes
    ----------
    name, folder : str
        The path inside ``inbox`` or ``weather``, and which of the two.
    status : str
        ``loaded``, ``read again``, ``unchanged`` or ``rejected``.
    rows_read, rows_accepted, rows_rejected : int
    problem, mend : str
        Of a rejected file, or of one that could not be read again; empty otherwise.
    """

    name: str
    folder: str
    status: str
    rows_read: int = 0
    rows_accepted: int = 0
    rows_rejected: int = 0
    problem: str = ""
    mend: str = ""


@dataclass(frozen=True, slots=True)
class IngestSummary:
    """What became of every file that one ingest met."""

    files: tuple[FileResult, ...]

    def with_status(self, status: str) -> tuple[FileResult, ...]:
        """Return the files of one status."""
        return tuple(file for file in self.files if file.status == status)

    @property
    def rows_accepted(self) -> int:
        """Rows accepted from files loaded or read again."""
        return sum(f.rows_accepted for f in self.files if f.status in ("loaded", "read again"))

    @property
    def rows_rejected(self) -> int:
        """Rows rejected in files loaded or read again."""
        return sum(f.rows_rejected for f in self.files if f.status in ("loaded", "read again"))


@dataclass(frozen=True, slots=True)
class _Known:
    """A line of ``files``."""

    entry: FileEntry
    status: str
    rows: tuple[int, int, int]
    problem: str
    mend: str


def _is_data(path: Path) -> bool:
    """Whether a path is a file to load: not one that an office program or system left behind.

    Whatever else is no folder is told, not passed over.
    """
    return not path.name.startswith((".", "~$")) and (path.is_symlink() or not path.is_dir())


class Arrivals:
    """One ingest of one study."""

    def __init__(
        self,
        study: Study,
        store: Store,
        opener: Opener,
        *,
        today: date,
        task: Task,
        is_checked: dict[str, bool] | None = None,
    ) -> None:
        self.study = study
        self.store = store
        self.opener = opener
        self.today = today
        self.task = task
        self.is_checked = is_checked
        self.archive = Archive(study.archive_path)
        self.known = self._read_known()
        self.results: dict[int, FileResult] = {}

    def _read_known(self) -> dict[str, _Known]:
        lines = self.store.connection.execute(
            "SELECT file_no, file_sha256, name, folder, size_bytes, fingerprint, status, "
            "rows_read, rows_accepted, rows_rejected, coalesce(problem, ''), "
            "coalesce(mend, '') FROM files"
        ).fetchall()
        known = [_Known(FileEntry(*x[:6]), x[6], tuple(x[7:10]), x[10], x[11]) for x in lines]
        return {_key(line.entry): line for line in known}

    def run(self) -> IngestSummary:
        """Load what is new, read again what changed, retry what waited."""
        self.store.connection.execute("SET preserve_insertion_order = false")  # rows are numbered
        for known in list(self.known.values()):
            if known.status == "loaded":
                self._note_unchanged(known)
                is_same = known.entry.fingerprint == self.opener.fingerprint(known.entry.name)
                if known.problem or not is_same:
                    self._read_again(known.entry)
        for path, name, folder in self._in_order(self._new_files()):
            self._load_new(path, name, folder)
        for _ in load_contracts():  # a retried row may be what another one waits for
            waiting = waiting_files(self.store.connection, self.today)
            if not waiting:
                break
            for sha256 in waiting:
                self._read_again(self.known[sha256].entry)
        return self._summary()

    def _summary(self) -> IngestSummary:
        """Give all results, with counts as they are now: one file can take rows from another."""
        now = {known.entry.file_no: known.rows for known in self._read_known().values()}
        results = []
        for number, result in sorted(self.results.items()):
            read, accepted, rejected = now[number]
            results.append(
                replace(result, rows_read=read, rows_accepted=accepted, rows_rejected=rejected)
            )
        return IngestSummary(tuple(results))

    def _new_files(self) -> Iterator[tuple[Path, str, str]]:
        """Yield files that are not known, or were rejected and may fare better now."""
        sizes = {known.entry.size_bytes for known in self.known.values()}
        for root, folder in (
            (self.study.inbox_path, "inbox"),
            (self.study.weather_path, "weather"),
        ):
            for path in sorted(p for p in root.rglob("*") if _is_data(p)):
                name = shown_name(path.relative_to(root).as_posix())
                try:
                    _refuse_name(path, name)
                    for within in (self.study.path, root):
                        refuse_unfit(path, within)
                    is_new = path.stat().st_size not in sizes or self._is_new(path)
                except (OSError, ReadError) as error:
                    self._reject(self._entry("", name, folder, 0), _as_read_error(name, error))
                    continue
                if is_new:
                    yield path, name, folder

    def _is_new(self, path: Path) -> bool:
        known = self.known.get(file_sha256(path))
        if known is None:
            return True
        entry = known.entry
        if known.status == "loaded":
            return False
        if entry.fingerprint != self.opener.fingerprint(entry.name):
            return True
        self._note_unchanged(known)
        return False

    def _note_unchanged(self, known: _Known) -> None:
        status = "unchanged" if known.status == "loaded" else known.status
        self.results[known.entry.file_no] = FileResult(
            known.entry.name, known.entry.folder, status, *known.rows, known.problem, known.mend
        )

    def _in_order(self, files: Iterable[tuple[Path, str, str]]) -> list[tuple[Path, str, str]]:
        """Sort files so that what others refer to comes first, then by name."""
        place = {name: number for number, name in enumerate(load_contracts())}
        ranked = []
        for path, name, folder in files:
            try:
                records = self.opener.first_records(path, name)
            except (ReadError, ContractError, MappingError) as error:
                sha256, size = file_sha256(path), path.stat().st_size
                self._reject(self._entry(sha256, name, folder, size), error)
                continue
            rank = min((place[record] for record in records), default=len(place))
            ranked.append((rank, folder, name, path))
        return [(path, name, folder) for _, folder, name, path in sorted(ranked)]

    def _entry(self, sha256: str, name: str, folder: str, size: int) -> FileEntry:
        """Return the file's entry, with a new number when it has none."""
        last = max((known.entry.file_no for known in self.known.values()), default=0)
        entry = FileEntry(last + 1, sha256, name, folder, size, self.opener.fingerprint(name))
        known = self.known.get(_key(entry))
        return replace(known.entry, fingerprint=entry.fingerprint) if known else entry

    def _load_new(self, path: Path, name: str, folder: str) -> None:
        with self._working_folder() as working:
            copy = working / "source" / Path(name).name
            copy.parent.mkdir()
            sha256 = copy_and_digest(path, copy)
            known = self.known.get(sha256)
            if known is not None and known.status == "loaded":
                return  # the same bytes under another name, met a moment ago
            self._load(self._entry(sha256, name, folder, copy.stat().st_size), copy, working)

    def _read_again(self, entry: FileEntry) -> None:
        entry = replace(entry, fingerprint=self.opener.fingerprint(entry.name))
        with self._working_folder() as working:
            copy = working / "source" / Path(entry.name).name
            copy.parent.mkdir()
            if not self.archive.has(entry.file_sha256):
                self._reject(entry, _gone(entry))
                return
            self.archive.lend(entry.file_sha256, copy)
            self._load(entry, copy, working)

    def _load(self, entry: FileEntry, copy: Path, working: Path) -> None:
        now = datetime.now(UTC)
        rows_folder = working / "rows"
        rows_folder.mkdir()
        try:
            tables = self.opener.tables(copy, entry.name)
            staged = stage_file(tables, load_contracts(), rows_folder, self.today, self.task)
        except (ReadError, ContractError, MappingError) as error:
            self._reject(entry, error)
            return
        with self.store.transaction():
            accepted, rejected = load_file(
                self.store.connection, staged, entry, now, is_checked=self.is_checked
            )
            self.archive.keep(copy, entry.file_sha256)
        rows = (staged.rows_read, accepted, rejected)
        self.known[entry.file_sha256] = _Known(entry, "loaded", rows, "", "")
        before = self.results.get(entry.file_no)
        status = "loaded" if before is None or before.status == "loaded" else "read again"
        self.results[entry.file_no] = FileResult(entry.name, entry.folder, status, *rows)

    def _reject(self, entry: FileEntry, error: WinterpoolError) -> None:
        """Note why a file was not loaded; rows it gave before stay."""
        known = self.known.get(_key(entry))
        rows = (0, 0, 0)
        status = "rejected"
        if known is not None and known.status == "loaded":
            status, rows = "loaded", known.rows
            entry = replace(entry, fingerprint=known.entry.fingerprint)  # so it is tried again
        with self.store.transaction():
            write_entry(
                self.store.connection,
                entry,
                datetime.now(UTC),
                status=status,
                rows=rows,
                problem=error.problem,
                mend=error.mend,
            )
        self.known[_key(entry)] = _Known(entry, status, rows, error.problem, error.mend)
        self.results[entry.file_no] = FileResult(
            entry.name, entry.folder, "rejected", *rows, error.problem, error.mend
        )

    @contextmanager
    def _working_folder(self) -> Iterator[Path]:
        working = self.study.working_path
        shutil.rmtree(working, ignore_errors=True)
        with disk_errors(self.study.path, "file"):
            working.mkdir()
            try:
                yield working
            finally:
                shutil.rmtree(working, ignore_errors=True)


def _refuse_name(path: Path, name: str) -> None:
    """Refuse a name that is no text: nothing could be found again under it."""
    if not name.endswith(path.name):
        raise ReadError(
            f"{name} has a name that is no text (UTF-8).", mend="Give the file another name."
        )


def _key(entry: FileEntry) -> str:
    """What a file is known by: its content, or its place where that may not be read."""
    return entry.file_sha256 or f"{entry.folder}/{entry.name}"


def _gone(entry: FileEntry) -> ReadError:
    return ReadError(
        f"The archived copy of {entry.name} is gone, so it cannot be read again.",
        mend="Put the file into the inbox again.",
    )


def _as_read_error(name: str, error: OSError | ReadError) -> ReadError:
    if isinstance(error, ReadError):
        return error
    return ReadError(
        f"{name} cannot be opened: {error.strerror}.",
        mend="Put the file itself into the inbox and give yourself the right to read it.",
    )
