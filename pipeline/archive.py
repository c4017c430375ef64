"""The archive: every accepted file, unchanged, under the digest of its content."""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

_BLOCK = 4 << 20


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

    def keep(self, copy: Path, sha256: str) -> None:
        """Move a finished copy into the archive; after this it survives a power cut."""
        if self.has(sha256):
            copy.unlink()
            return
        with copy.open("rb+") as file:
            os.fsync(file.fileno())
        target = self.path_of(sha256)
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(copy, target)
        if sys.platform != "win32":  # there a folder cannot be opened
            folder = os.open(target.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)

    def lend(self, sha256: str, target: Path) -> None:
        """Put a kept file at ``target`` for reading: as a link where possible, else as a copy."""
        try:
            os.link(self.path_of(sha256), target)
        except OSError:
            shutil.copyfile(self.path_of(sha256), target)
