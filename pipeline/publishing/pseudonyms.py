"""Pseudonyms by keyed hash; the key stays in the study."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import StudyError

KEY_BYTES = 32
SHOWN = 16  # hexadecimal digits, 64 bits: two of a million names agree once in 37 million studies
LETTERS = {"member_id": "M", "apiary_id": "A", "colony_id": "C"}


@dataclass(frozen=True, slots=True)
class Pseudonyms:
    """Names to pseudonyms under one key; the key is not shown when this is printed."""

    _key: bytes

    def __repr__(self) -> str:
        return "Pseudonyms(…)"

    def of(self, column: str, name: str) -> str:
        """Return the pseudonym of one name.

        Parameters
        ----------
        column : {"member_id", "apiary_id", "colony_id"}
            A name in another column has another pseudonym.
        name : str

        References
        ----------
        RFC 2104 (HMAC) with SHA-256 of FIPS 180-4.
        """
        text = f"{column}\0{name}".encode()
        return LETTERS[column] + hmac.new(self._key, text, hashlib.sha256).hexdigest()[:SHOWN]

    def replace(self, table: pl.DataFrame) -> pl.DataFrame:
        """Put pseudonyms in place of every name in a table."""
        for column in LETTERS:
            if column in table.columns:
                names = table[column].drop_nulls().unique().to_list()
                told = {name: self.of(column, name) for name in names}
                table = table.with_columns(
                    pl.col(column).replace_strict(told, return_dtype=pl.String)
                )
        return table


def study_pseudonyms(path: Path) -> Pseudonyms:
    """Read the study's key, or make it; only its owner may read it.

    Parameters
    ----------
    path : Path
        The key's file.

    Raises
    ------
    StudyError
        Others may read the key, or the file does not hold one.
    """
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
        with os.fdopen(os.open(path, flags, 0o600), "w", encoding="ascii") as file:
            file.write(secrets.token_hex(KEY_BYTES) + "\n")
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise StudyError(
            f"Others can read {path}, with which pseudonyms can be turned into names.",
            mend=f"Take their rights away: chmod 600 {path}",
        )
    try:
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except ValueError:
        key = b""
    if len(key) != KEY_BYTES:
        raise StudyError(
            f"{path} does not hold a key of {KEY_BYTES} bytes.",
            mend="Bring the key back from a copy, or remove the file to get new pseudonyms.",
        )
    return Pseudonyms(key)
