"""The journal: what the archive's files are called, and in what order they arrived.

It stands beside the archived files, one line of JSON a file, so that the store can be made again
without the old one. A line is on the disk before its file's rows are committed: after a power cut
the journal may know a file that the store has lost, never the other way round. Of several lines
of one number the last one counts.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from pipeline.file_lines import FileEntry, FileLine


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One file that arrived.

    Attributes
    ----------
    file_no : int
        Its place in the order of arrival.
    file_sha256 : str
        Digest of its content; empty where that may not be read.
    name, folder : str
        The path inside ``inbox`` or ``weather``, and which of the two.
    size_bytes : int
    status : str
        ``loaded`` or ``rejected``.
    ingest : str
        When the ingest that met it began (ISO 8601); files of one ingest are retried together.
    fingerprint, problem, mend : str
        Of a rejected file; empty otherwise.
    """

    file_no: int
    file_sha256: str
    name: str
    folder: str
    size_bytes: int
    status: str
    ingest: str = ""
    fingerprint: str = ""
    problem: str = ""
    mend: str = ""

    @classmethod
    def of(cls, known: FileLine, ingest: str = "") -> JournalLine:
        """Build the line of a file that the store knows."""
        entry, of_rejected = known.entry, ("", "", "")
        if known.status != "loaded":
            of_rejected = (entry.fingerprint, known.problem, known.mend)
        return cls(
            entry.file_no,
            entry.file_sha256,
            entry.name,
            entry.folder,
            entry.size_bytes,
            known.status,
            ingest,
            *of_rejected,
        )

    @property
    def entry(self) -> FileEntry:
        """What the store knows of the file besides its rows."""
        return FileEntry(
            self.file_no,
            self.file_sha256,
            self.name,
            self.folder,
            self.size_bytes,
            self.fingerprint,
        )


def _read_line(text: bytes) -> JournalLine | None:
    try:
        line = JournalLine(**json.loads(text))
    except (ValueError, TypeError):
        return None
    is_number = isinstance(line.file_no, int) and isinstance(line.size_bytes, int)
    texts = (line.file_sha256, line.name, line.folder, line.status, line.ingest)
    is_text = all(isinstance(text, str) for text in texts)
    return line if is_number and is_text and line.status in ("loaded", "rejected") else None


def _written(line: JournalLine) -> bytes:
    return json.dumps(asdict(line)).encode() + b"\n"


class Journal:
    """The journal in one archive's folder.

    Attributes
    ----------
    lines : dict of int to JournalLine
        By number, in the order of arrival.
    damaged : int
        Lines that cannot be read, for example one cut off by a power cut.
    """

    def __init__(self, archive: Path) -> None:
        self.path = archive / "journal.jsonl"
        self.lines: dict[int, JournalLine] = {}
        self.damaged = 0
        if self.path.exists():
            for text in self.path.read_bytes().splitlines():
                line = _read_line(text)
                if line is None:
                    self.damaged += 1
                else:
                    self.lines[line.file_no] = line
        self.lines = dict(sorted(self.lines.items()))

    def add(self, *lines: JournalLine) -> None:
        """Add lines that say something new; after this they survive a power cut."""
        new = [line for line in lines if self._says_more(line)]
        if not new:
            return
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.open("ab+") as file:
            if file.seek(0, os.SEEK_END):
                file.seek(-1, os.SEEK_END)
                if file.read() != b"\n":  # the last line was cut off
                    file.write(b"\n")
            file.write(b"".join(map(_written, new)))
            file.flush()
            os.fsync(file.fileno())
        self.lines |= {line.file_no: line for line in new}

    def _says_more(self, line: JournalLine) -> bool:
        """Whether the journal would lose something without the line; a later ingest is nothing."""
        known = self.lines.get(line.file_no)
        return known is None or replace(line, ingest=known.ingest) != known

    def rewrite(self, lines: Iterable[JournalLine]) -> None:
        """Write the journal anew with these lines, whole or not at all."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        draft = self.path.with_suffix(".partial")
        self.lines = {line.file_no: line for line in sorted(lines, key=lambda one: one.file_no)}
        with draft.open("wb") as file:
            file.write(b"".join(map(_written, self.lines.values())))
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, self.path)
        self.damaged = 0
