"""What a file is, judged by its first bytes, and its bytes block by block."""

from __future__ import annotations

import gzip
import os
import stat
import zlib
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import ReadError
from pipeline.settings import IngestSettings

BLOCK = 4 << 20
"""Bytes read at a time."""
_SNIFF = 512

_FORMATS = {
    ".csv": "text",
    ".tsv": "text",
    ".txt": "text",
    ".xlsx": "workbook",
    ".parquet": "parquet",
    ".dly": "dly",
}
_PACKED = (".zip", ".7z", ".rar", ".tar")
_FOREIGN = (
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"II*\0", "a picture (TIFF)"),
    (b"MM\0*", "a picture (TIFF)"),
    (b"RIFF", "a sound or picture file"),
    (b"%PDF", "a PDF document"),
    (b"Rar!", "an archive"),
    (b"7z\xbc\xaf", "an archive"),
    (b"BZh", "an archive"),
    (b"\xfd7zXZ", "an archive"),
    (b"\x28\xb5\x2f\xfd", "an archive"),
    (b"SQLite format 3", "a database"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90\0", "a program"),
)
_OLD_OFFICE = b"\xd0\xcf\x11\xe0"
_GZIP = b"\x1f\x8b"


def refuse_name(path: Path, name: str) -> None:
    """Refuse a name that is no text: nothing could be found again under it.

    Raises
    ------
    ReadError
        The name as it is shown is not the file's own.
    """
    if not name.endswith(path.name):
        raise ReadError(
            f"{name} has a name that is no text (UTF-8).", mend="Give the file another name."
        )


def refuse_unfit(path: Path, root: Path) -> None:
    """Refuse a path that leads, by a link or by ``..``, out of a folder, or to no plain file.

    A pipe would be waited for without end, a device read without end.

    Raises
    ------
    ReadError
        What the path leads to does not lie inside ``root``, or is no file.
    OSError
        It leads nowhere, or may not be looked at.
    """
    if not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(root)):
        raise ReadError(
            f"{path.name} leads out of the folder {root.name}.",
            mend="Copy the file itself into the study's inbox.",
        )
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise ReadError(
            f"{path.name} is a link to a folder.", mend="Put the folder itself in its place."
        )
    if not stat.S_ISREG(mode):
        raise ReadError(
            f"{path.name} is a pipe or a device, not a file.",
            mend="Remove it, and put the file itself into the study's inbox.",
        )


def file_format(path: Path, name: str, limits: IngestSettings) -> str:
    """Return ``text``, ``workbook``, ``parquet`` or ``dly``; a trailing ``.gz`` counts as none.

    Raises
    ------
    ReadError
        The file is absent, a folder, empty, too large, of a kind no reader knows, or its content
        is not what its name says.
    """
    if path.is_dir():
        raise ReadError(f"{name} is a folder.", mend="Put its files into the inbox, one by one.")
    if not path.is_file():
        raise ReadError(f"{name} is not there.", mend="Check the path.")
    size = path.stat().st_size
    if size == 0:
        raise ReadError(f"{name} is empty.", mend="Export it again and check that it holds rows.")
    if size > limits.maximum_file_mb * 1_000_000:
        raise ReadError(
            f"{name} has {size / 1e6:,.0f} MB; {limits.maximum_file_mb:,} MB are allowed.",
            mend="Split the file, or raise maximum_file_mb in study.toml.",
        )
    with path.open("rb") as file:
        start = file.read(_SNIFF)
    is_gzip = start.startswith(_GZIP)
    inner = name.lower().removesuffix(".gz")
    kind = _FORMATS.get(Path(inner).suffix)
    if kind is None:
        raise ReadError(
            f"{name} is of a kind that is not read.",
            mend="Unpack it and send the files that it holds."
            if Path(inner).suffix in _PACKED
            else "Send the table itself, saved as .xlsx or .csv "
            f"(read are: {', '.join(_FORMATS)}).",
        )
    if name.lower().endswith(".gz") and not is_gzip:
        raise ReadError(f"{name} is not gzip-compressed.", mend="Send it again, or drop the .gz.")
    if kind in ("text", "dly"):
        _refuse_foreign(_first_bytes(path, name) if is_gzip else start, name)
    elif is_gzip:
        raise ReadError(f"{name} is compressed.", mend="Unpack it first.")
    elif kind == "workbook" and not start.startswith(b"PK\x03\x04"):
        _refuse_foreign(start, name)
        raise ReadError(f"{name} is not a workbook.", mend="Save it again as .xlsx.")
    elif kind == "parquet" and not start.startswith(b"PAR1"):
        raise ReadError(f"{name} is not a Parquet file.", mend="Export it again as Parquet.")
    return kind


def _first_bytes(path: Path, name: str) -> bytes:
    try:
        with gzip.open(path) as file:
            return file.read(_SNIFF)
    except (EOFError, OSError, zlib.error):
        raise _damaged(name) from None


def _damaged(name: str) -> ReadError:
    return ReadError(
        f"{name} is cut off or damaged: it cannot be unpacked to the end.",
        mend="Send or download the file again.",
    )


def _refuse_foreign(start: bytes, name: str) -> None:
    if start.startswith(_OLD_OFFICE):
        raise ReadError(
            f"{name} is protected by a password or in an old office format.",
            mend="Remove the password and save it as .xlsx.",
        )
    kind = next((words for magic, words in _FOREIGN if start.startswith(magic)), None)
    if start[4:8] == b"ftyp":
        kind = "a picture or film"
    if start.startswith(b"PK\x03\x04"):
        kind = "a workbook or a zip archive"
    if start.startswith(b"PAR1"):
        kind = "a Parquet file"
    if kind:
        raise ReadError(
            f"{name} is {kind}, not what its name says.",
            mend="Send the table itself, named by what it is.",
        )


def byte_blocks(path: Path, name: str, limits: IngestSettings) -> Iterator[bytes]:
    """Yield the file's bytes, unpacked if it is gzip-compressed, 4 MiB at a time.

    Raises
    ------
    ReadError
        The compressed file is cut off, damaged, or expands beyond the limit.
    """
    with path.open("rb") as file:
        is_gzip = file.read(2) == _GZIP
    if not is_gzip:
        with path.open("rb") as file:
            while block := file.read(BLOCK):
                yield block
        return
    limit, total = limits.maximum_expanded_mb * 1_000_000, 0
    try:
        with gzip.open(path) as packed:
            while block := packed.read(BLOCK):
                total += len(block)
                if total > limit:
                    raise ReadError(
                        f"{name} expands to more than {limits.maximum_expanded_mb:,} MB.",
                        mend="Unpack and split it, or raise maximum_expanded_mb in study.toml.",
                    )
                yield block
    except (EOFError, gzip.BadGzipFile, zlib.error):
        raise _damaged(name) from None
