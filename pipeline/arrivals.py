"""Arrivals: which files are new, changed or waiting, and each of them into the store.

A file is known by the digest of its content. Its place in the order of arrival never changes,
also when it is read again because its mapping was corrected or because a row it refers to has
arrived meanwhile. Small files are loaded together, some hundreds in one transaction. Killed at any
moment, the store is as it was before or after some file; what the journal knows and the store has
lost is taken up again first.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import count, groupby
from pathlib import Path

from pipeline.archive import Archive, as_read_error, copy_at_rest, file_sha256
from pipeline.contracts import load_contracts
from pipeline.disk import disk_errors
from pipeline.errors import ContractError, MappingError, ReadError, StudyError, WinterpoolError
from pipeline.file_lines import FileEntry, FileLine, read_files, write_files
from pipeline.file_names import shown_name
from pipeline.file_results import FileResult, IngestSummary, copy_result
from pipeline.journal import Journal, JournalLine
from pipeline.loading import Arrival, load_files, waiting_files
from pipeline.opening import Opener
from pipeline.progress import Task
from pipeline.readers.files import refuse_name, refuse_unfit
from pipeline.staging import stage_file
from pipeline.store import Store
from pipeline.study import Study

_CLOCK_TOLERANCE = timedelta(days=1)
_EPOCH = datetime.fromtimestamp(0, UTC)
_MOST_TOGETHER, _ROWS_TOGETHER = 500, 200_000
"""Files loaded in one transaction: so many at most, or until they hold so many rows."""


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
        self.journal = Journal(study.archive_path)
        self.known = {line.entry.key: line for line in read_files(store.connection)}
        self.last_no = max((known.entry.file_no for known in self.known.values()), default=0)
        self.last_at = max((known.at for known in self.known.values()), default=_EPOCH)
        self.began = datetime.now(UTC).isoformat(timespec="microseconds")
        self.results: dict[int, FileResult] = {}
        self.passed_over: list[FileResult] = []
        self.staged: list[tuple[Arrival, Path]] = []  # with the file's copy; not loaded yet

    def _now(self) -> datetime:
        """Return the time, later than any noted before even where the clock was set back."""
        self.last_at = max(datetime.now(UTC), self.last_at + timedelta(microseconds=1))
        return self.last_at

    def run(self, *, takes_new: bool = True) -> IngestSummary:
        """Load what is new, read again what changed, retry what waited.

        Parameters
        ----------
        takes_new : bool
            Look into the inbox and weather folders; otherwise only the archive is read.

        Raises
        ------
        StudyError
            The clock stands before the last ingest.
        """
        self._refuse_clock_set_back()
        self.store.connection.execute("SET preserve_insertion_order = false")  # rows are numbered
        with self._working_folder():
            self._read_changed()
            self._take_up()
            if takes_new:
                for path, name, folder in self._in_order(self._new_files()):
                    self._load_new(path, name, folder)
                self._load_staged()
            self._retry()
        return self._summary()

    def _read_changed(self) -> None:
        """Read again what is to be read otherwise than it was, or could not be read again."""
        for known in list(self.known.values()):
            if known.status == "loaded":
                self._note_unchanged(known)
                is_same = known.entry.fingerprint == self.opener.fingerprint(known.entry.name)
                if known.problem or not is_same:
                    self._read_again(known.entry)
        self._load_staged()

    def _refuse_clock_set_back(self) -> None:
        now = datetime.now(UTC)
        if now < self.last_at - _CLOCK_TOLERANCE:
            raise StudyError(
                f"This computer's clock says {now:%Y-%m-%d}, but files were loaded into "
                f"{self.study.path} on {self.last_at:%Y-%m-%d}; nothing was done.",
                mend="Set the clock right and give the command again. If it was wrong on that day, "
                f"run: winterpool rebuild {self.study.path}.",
            )

    def _take_up(self) -> None:
        """Load what the journal knows and the store does not; note the reverse in the journal."""
        lost = [line for line in self.journal.lines.values() if line.entry.key not in self.known]
        present = [JournalLine.of(known) for known in self.known.values()]
        if self.journal.damaged:
            self.journal.rewrite([*self.journal.lines.values(), *present])
        self.journal.add(*(line for line in present if self._is_unknown_to_journal(line)))
        taken = {known.entry.file_no for known in self.known.values()}
        self.last_no = max([self.last_no, *(line.file_no for line in lost)])
        for _, lines in groupby(lost, key=lambda line: line.ingest):
            for line in lines:
                entry = line.entry
                if line.file_no in taken:
                    entry = replace(entry, file_no=self._next_no())
                self._replay(line, entry)
            self._load_staged()
            self._retry()

    def _is_unknown_to_journal(self, line: JournalLine) -> bool:
        noted = self.journal.lines.get(line.file_no)
        return noted is None or (noted.entry.key, noted.status) != (line.entry.key, line.status)

    def _replay(self, line: JournalLine, entry: FileEntry) -> None:
        if line.status == "rejected":
            self._reject(entry, ReadError(line.problem, mend=line.mend))
        else:  # as loaded, so that it is tried again by every ingest until it succeeds
            self.known[entry.key] = FileLine(entry, self.last_at, "loaded")
            self._read_again(entry)

    def _retry(self) -> None:
        for _ in load_contracts():  # a retried row may be what another one waits for
            waiting = waiting_files(self.store.connection, self.today)
            if not waiting:
                break
            for sha256 in waiting:
                self._read_again(self.known[sha256].entry)
            self._load_staged()

    def _next_no(self) -> int:
        self.last_no += 1
        return self.last_no

    def _summary(self) -> IngestSummary:
        """Give all results, with counts as they are now: one file can take rows from another."""
        lines = read_files(self.store.connection)
        now = {line.entry.file_no: line.rows for line in lines}
        results = []
        for number, result in sorted(self.results.items()):
            read, accepted, rejected = now[number]
            results.append(
                replace(result, rows_read=read, rows_accepted=accepted, rows_rejected=rejected)
            )
        return IngestSummary((*results, *self.passed_over))

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
                    refuse_name(path, name)
                    for within in (self.study.path, root):
                        refuse_unfit(path, within)
                    is_new = path.stat().st_size not in sizes or self._is_new(path, name, folder)
                except (OSError, ReadError) as error:
                    self._reject(self._entry("", name, folder, 0), as_read_error(name, error))
                    continue
                if is_new:
                    yield path, name, folder

    def _is_new(self, path: Path, name: str, folder: str) -> bool:
        known = self.known.get(file_sha256(path))
        if known is None:
            return True
        entry = known.entry
        is_copy = self._is_copy(known, name, folder)
        if known.status == "loaded":
            is_kept = self._is_archived(known)
            if is_kept and is_copy:
                self._tell_copy(known, name, folder)
            return not is_kept
        is_renamed = not is_copy and (entry.name, entry.folder) != (name, folder)
        if is_renamed or entry.fingerprint != self.opener.fingerprint(entry.name):
            return True
        if is_copy:
            self._tell_copy(known, name, folder)
        else:
            self._note_unchanged(known)
        return False

    def _is_copy(self, known: FileLine, name: str, folder: str) -> bool:
        """Whether a file of that content stands under another name, too."""
        entry = known.entry
        other = self.study.path / entry.folder / entry.name
        is_elsewhere = (entry.name, entry.folder) != (name, folder)
        return is_elsewhere and other.is_file() and other.stat().st_size == entry.size_bytes

    def _tell_copy(self, known: FileLine, name: str, folder: str) -> None:
        told = copy_result(name, folder, known.entry, is_loaded=known.status == "loaded")
        self.passed_over.append(told)

    def _is_archived(self, known: FileLine) -> bool:
        """Whether a file's archived copy is whole, as far as can be told without reading it."""
        entry = known.entry
        if known.problem and not self.archive.is_unchanged(entry.file_sha256):
            return False
        return self.archive.is_of_size(entry.file_sha256, entry.size_bytes)

    def _note_unchanged(self, known: FileLine) -> None:
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
            except OSError as error:
                self._pass_over(name, folder, as_read_error(name, error))
                continue
            rank = min((place[record] for record in records), default=len(place))
            ranked.append((rank, folder, name, path))
        return [(path, name, folder) for _, folder, name, path in sorted(ranked)]

    def _entry(self, sha256: str, name: str, folder: str, size: int) -> FileEntry:
        """Return the file's entry, with a new number when it has none."""
        entry = FileEntry(0, sha256, name, folder, size, self.opener.fingerprint(name))
        known = self.known.get(entry.key)
        if known and known.status == "loaded":
            return replace(known.entry, fingerprint=entry.fingerprint)
        if known:  # another name may be what it needs
            return replace(entry, file_no=known.entry.file_no)
        unread = self.known.pop(f"{folder}/{name}", None)  # it could not be read before
        return replace(entry, file_no=unread.entry.file_no if unread else self._next_no())

    def _load_new(self, path: Path, name: str, folder: str) -> None:
        copy = self._place_of_copy(name)
        try:
            sha256 = copy_at_rest(path, name, copy)
        except ReadError as error:
            self._pass_over(name, folder, error)
            return
        met = [arrival for arrival, _ in self.staged if arrival.entry.file_sha256 == sha256]
        if met:
            self._tell_copy(FileLine(met[0].entry, met[0].at, "loaded"), name, folder)
            return
        known = self.known.get(sha256)
        if known is not None and known.status == "loaded" and self._is_archived(known):
            self._tell_copy(known, name, folder)  # met a moment ago
            return
        self._stage(self._entry(sha256, name, folder, copy.stat().st_size), copy)

    def _place_of_copy(self, name: str) -> Path:
        """A place for a copy that keeps its name: a folder that holds none of that name."""
        folders = (self.study.working_path / str(number) for number in count())
        place = next(p for f in folders if not (p := f / Path(name).name).exists())
        place.parent.mkdir(exist_ok=True)
        return place

    def _pass_over(self, name: str, folder: str, error: ReadError) -> None:
        """Tell of a file that cannot be read just now; the next ingest meets it afresh."""
        told = FileResult(name, folder, "rejected", problem=error.problem, mend=error.mend)
        self.passed_over.append(told)

    def _read_again(self, entry: FileEntry) -> None:
        entry = replace(entry, fingerprint=self.opener.fingerprint(entry.name))
        if not self.archive.is_unchanged(entry.file_sha256):
            self._reject(entry, self.archive.lack_of(entry.file_sha256, entry.name))
            return
        copy = self._place_of_copy(entry.name)
        self.archive.lend(entry.file_sha256, copy)
        self._stage(entry, copy)

    def _stage(self, entry: FileEntry, copy: Path) -> None:
        """Read and check a file; load what is staged once it is enough."""
        at, number = self._now(), entry.file_no
        try:
            tables = self.opener.tables(copy, entry.name)
            staged = stage_file(
                tables, load_contracts(), self._rows_path, self.today, self.task, file_no=number
            )
        except (ReadError, ContractError, MappingError) as error:
            self._reject(entry, error)
            return
        self.staged.append((Arrival(entry, staged, at), copy))
        rows_staged = sum(arrival.staged.rows_read for arrival, _ in self.staged)
        if len(self.staged) >= _MOST_TOGETHER or rows_staged >= _ROWS_TOGETHER:
            self._load_staged()

    def _load_staged(self) -> None:
        """Load the staged files in one transaction."""
        if not self.staged:
            return
        arrivals = [arrival for arrival, _ in self.staged]
        with self.store.transaction():
            lines = load_files(self.store.connection, arrivals, is_checked=self.is_checked)
            self.archive.keep_all(
                (copy, arrival.entry.file_sha256) for arrival, copy in self.staged
            )
            self.journal.add(*(JournalLine.of(known, self.began) for known in lines))
        for known in lines:
            entry = known.entry
            self.known[entry.file_sha256] = known
            before = self.results.get(entry.file_no)
            status = "loaded" if before is None or before.status == "loaded" else "read again"
            self.results[entry.file_no] = FileResult(entry.name, entry.folder, status, *known.rows)
        self.staged.clear()
        self._clear_working_folder()

    def _reject(self, entry: FileEntry, error: WinterpoolError) -> None:
        """Note why a file was not loaded; rows it gave before stay."""
        self._load_staged()  # which arrived before it
        known = self.known.get(entry.key)
        if known and known.status == "rejected" and self._is_copy(known, entry.name, entry.folder):
            self._tell_copy(known, entry.name, entry.folder)
            return
        rows = (0, 0, 0)
        status = "rejected"
        if known is not None and known.status == "loaded":
            status, rows = "loaded", known.rows
            entry = replace(entry, fingerprint=known.entry.fingerprint)  # so it is tried again
        line = FileLine(entry, self._now(), status, rows, error.problem, error.mend)
        with self.store.transaction():
            write_files(self.store.connection, [line])
            self.journal.add(JournalLine.of(line, self.began))
        self.known[entry.key] = line
        self.results[entry.file_no] = FileResult(
            entry.name, entry.folder, "rejected", *rows, error.problem, error.mend
        )

    @property
    def _rows_path(self) -> Path:
        return self.study.working_path / "rows"

    def _clear_working_folder(self) -> None:
        shutil.rmtree(self.study.working_path, ignore_errors=True)
        self._rows_path.mkdir(parents=True, exist_ok=True)

    @contextmanager
    def _working_folder(self) -> Iterator[None]:
        with disk_errors(self.study.path, "file"):
            self._clear_working_folder()  # of an ingest that was killed
            try:
                yield
            finally:
                shutil.rmtree(self.study.working_path, ignore_errors=True)
