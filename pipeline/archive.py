"""The archive: every accepted file, unchanged, under the digest of its content."""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from pipeline.disk import FULL_ERRNOS
from pipeline.errors import ReadError

_BLOCK = 4 << 20
_TRIES = 3
"""How often a file is copied that changes meanwhile."""
_AT_ONCE = 8
"""Files handed to the disk together: it writes several in hardly more time than one."""


def file_sha256(path: Path) -> str:
    """Digest of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def copy_and_digest(source: Path, target: Path) -> str:
    """Copy a file and return the digest of exactly the bytes that were copied."""
    total = hashlib.sha256()
    with source.open("rb") as reading, target.open("wb") as writing:
        while block := reading.read(_BLOCK):
            total.update(block)
            writing.write(block)
    return total.hexdigest()


def as_read_error(name: str, error: OSError | ReadError) -> ReadError:
    """Tell in plain words why a file cannot be read; a full disk stays an ``OSError``."""
    if isinstance(error, ReadError):
        return error
    if error.errno in FULL_ERRNOS:
        raise error
    if isinstance(error, FileNotFoundError):
        return ReadError(
            f"{name} was taken away while it was read, so nothing of it was loaded.",
            mend="Put it into the inbox again and run ingest.",
        )
    return ReadError(
        f"{name} cannot be opened: {error.strerror}.",
        mend="Put the file itself into the inbox and give yourself the right to read it.",
    )


def copy_at_rest(path: Path, name: str, copy: Path) -> str:
    """Copy a file and return its digest, provided that it did not change meanwhile.

    Raises
    ------
    ReadError
        The file changed each time, has vanished or may not be read.
    """

    def state() -> tuple[int, int]:
        found = path.stat()
        return found.st_size, found.st_mtime_ns

    try:
        for _ in range(_TRIES):
            before = state()
            sha256 = copy_and_digest(path, copy)
            if state() == before == (copy.stat().st_size, before[1]):
                return sha256
    except OSError as error:
        raise as_read_error(name, error) from None
    raise ReadError(
        f"{name} changed while it was read, so nothing of it was loaded.",
        mend="Wait until it has been copied or saved to its end, then run ingest again.",
    )


def _sync_file(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _sync_folder(path: Path) -> None:
    folder = os.open(path, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


@dataclass(frozen=True, slots=True)
class Archive:
    """The archive under one folder."""

    root: Path

    def path_of(self, sha256: str) -> Path:
        """Where the file of that digest stands, if it is kept."""
        return self.root / sha256[:2] / sha256

    def has(self, sha256: str) -> bool:
        """Whether the file of that digest is kept."""
        return self.path_of(sha256).is_file()

    def is_of_size(self, sha256: str, size_bytes: int) -> bool:
        """Whether the file is kept and as long as it was; told without reading it."""
        return self.has(sha256) and self.path_of(sha256).stat().st_size == size_bytes

    def is_unchanged(self, sha256: str) -> bool:
        """Whether the file is kept and still has the content it is named by."""
        return self.has(sha256) and file_sha256(self.path_of(sha256)) == sha256

    def keep(self, copy: Path, sha256: str) -> None:
        """Move a finished copy into the archive; after this it survives a power cut."""
        self.keep_all([(copy, sha256)])

    def keep_all(self, copies: Iterable[tuple[Path, str]]) -> None:
        """Move finished copies, each with its digest, as ``keep`` does; all survive a power cut.

        A kept file that has been cut off or changed is replaced.
        """
        fresh = []
        for copy, sha256 in copies:
            if self.is_unchanged(sha256):
                copy.unlink()
            else:
                fresh.append((copy, self.path_of(sha256)))
        with ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="keep") as threads:
            list(threads.map(_sync_file, [copy for copy, _ in fresh]))
            for copy, target in fresh:
                target.parent.mkdir(parents=True, exist_ok=True)
                os.replace(copy, target)
            if sys.platform != "win32":  # there a folder cannot be opened
                list(threads.map(_sync_folder, {target.parent for _, target in fresh}))

    def lend(self, sha256: str, target: Path) -> None:
        """Put a kept file at ``target`` for reading: as a link where possible, else as a copy."""
        try:
            os.link(self.path_of(sha256), target)
        except OSError:
            shutil.copyfile(self.path_of(sha256), target)

    def lack_of(self, sha256: str, name: str) -> ReadError:
        """Tell that a kept file is damaged or gone."""
        what = "is damaged" if self.has(sha256) else "is gone"
        return ReadError(
            f"The archived copy of {name} {what}, so it cannot be read again.",
            mend="Put the file into the inbox again and run ingest.",
        )
