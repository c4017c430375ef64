"""What one ingest made of each file, for whoever gave the command."""

from __future__ import annotations

from dataclasses import dataclass


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
