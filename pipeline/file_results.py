"""What one ingest made of each file, for whoever gave the command."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.loading import FileEntry


@dataclass(frozen=True, slots=True)
class FileResult:
    """What became of one file in one ingest.

    Attributes
    ----------
    name, folder : str
        The path inside ``inbox`` or ``weather``, and which of the two.
    status : str
        ``loaded``, ``read again``, ``unchanged``, ``rejected``, or ``copy`` of a loaded one.
    rows_read, rows_accepted, rows_rejected : int
    problem, mend : str
        Of a rejected file, of a copy, or of one that could not be read again; empty otherwise.
    """

    name: str
    folder: str
    status: str
    rows_read: int = 0
    rows_accepted: int = 0
    rows_rejected: int = 0
    problem: str = ""
    mend: str = ""


def copy_result(name: str, folder: str, of: FileEntry, *, is_loaded: bool) -> FileResult:
    """Tell of a file whose content stands under another name too."""
    same = f"{name} holds exactly what {of.folder}/{of.name} holds"
    if is_loaded:
        return FileResult(
            name,
            folder,
            "copy",
            problem=f"{same}, so its rows count once.",
            mend="If it should hold something else, ask its sender for the right file; otherwise "
            "take one of the two away.",
        )
    return FileResult(
        name,
        folder,
        "rejected",
        problem=f"{same}, which could not be loaded.",
        mend="Put the right file in its place, or take one of the two away; "
        f"{of.name} is told of by itself.",
    )


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
