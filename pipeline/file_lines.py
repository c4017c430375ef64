"""What the store knows of files besides their rows: the table ``files``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from datetime import datetime
from typing import Any

import duckdb
import polars as pl


@dataclass(frozen=True, slots=True)
class FileEntry:
    """What the store knows of one file besides its rows."""

    file_no: int
    file_sha256: str
    name: str
    folder: str
    size_bytes: int
    fingerprint: str

    @property
    def key(self) -> str:
        """What a file is known by: its content, or its place where that may not be read."""
        return self.file_sha256 or f"{self.folder}/{self.name}"


@dataclass(frozen=True, slots=True)
class FileLine:
    """A line of ``files``: the entry, what became of it and when; rows read, accepted, rejected."""

    entry: FileEntry
    at: datetime
    status: str
    rows: tuple[int, int, int] = (0, 0, 0)
    problem: str = ""
    mend: str = ""


_COLUMNS: dict[str, Any] = {
    "file_no": pl.Int32,
    "file_sha256": pl.String,
    "name": pl.String,
    "folder": pl.String,
    "size_bytes": pl.Int64,
    "fingerprint": pl.String,
    "ingested_at": pl.Datetime("us", "UTC"),
    "status": pl.String,
    "rows_read": pl.Int64,
    "rows_accepted": pl.Int64,
    "rows_rejected": pl.Int64,
    "problem": pl.String,
    "mend": pl.String,
}


def read_files(connection: duckdb.DuckDBPyConnection) -> list[FileLine]:
    """Read all lines of ``files``, in the order of arrival."""
    lines = connection.execute(
        f"SELECT {', '.join(_COLUMNS)} FROM files ORDER BY file_no"
    ).fetchall()
    return [
        FileLine(FileEntry(*line[:6]), line[6], line[7], line[8:11], line[11] or "", line[12] or "")
        for line in lines
    ]


def write_files(connection: duckdb.DuckDBPyConnection, lines: Sequence[FileLine]) -> None:
    """Write lines of ``files``, in place of earlier ones of the same numbers."""
    numbers = ", ".join(str(line.entry.file_no) for line in lines)
    connection.execute(f"DELETE FROM files WHERE file_no IN ({numbers})")
    frame = pl.DataFrame(
        [
            (
                *astuple(line.entry),
                line.at,
                line.status,
                *line.rows,
                line.problem or None,
                line.mend or None,
            )
            for line in lines
        ],
        schema=_COLUMNS,
        orient="row",
    )
    connection.register("_lines", frame)
    connection.execute("INSERT INTO files BY NAME FROM _lines")
    connection.unregister("_lines")
