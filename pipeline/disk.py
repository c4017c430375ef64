"""A full disk: told in plain words, whatever library met it, and leaving files as they were."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import DiskFullError, StoreError

FULL_ERRNOS = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
FULL_WORDS = ("No space left", "File too large", "quota exceeded")
NETCDF_WRITE_WORDS = ("NetCDF: HDF error",)
"""All that netCDF says of a write that failed."""


def _what_led_to(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _is_full(error: BaseException, words: tuple[str, ...]) -> bool:
    if isinstance(error, OSError) and error.errno in FULL_ERRNOS:
        return True
    return any(word in str(error) for word in words)


@contextmanager
def disk_errors(place: Path, unit: str, words: tuple[str, ...] = FULL_WORDS) -> Iterator[None]:
    """Tell a full disk in plain words.

    Parameters
    ----------
    place : Path
        What is written to.
    unit : str
        What is done whole or not at all: a step, a file.
    words : tuple of str
        By which the text of an error, or of one that led to it, is known to be of a full disk,
        whatever its class.

    Raises
    ------
    DiskFullError
        A file could not be written for want of space.
    """
    try:
        yield
    except StoreError:
        raise
    except Exception as error:
        if not any(_is_full(one, words) for one in _what_led_to(error)):
            raise
        raise DiskFullError(
            f"The disk is full: {place} could not be written; it is as it was before this {unit}.",
            mend="Free some space and give the same command again.",
        ) from error


@contextmanager
def replacing_together(folder: Path, *, last: str) -> Iterator[Path]:
    """Give a draft folder whose files take their places in ``folder`` only once all are written.

    Parameters
    ----------
    folder : Path
        Made when missing; its other files stay.
    last : str
        The file that takes its place after all others.

    Yields
    ------
    Path
        The draft folder, empty; gone afterwards, however the block ends.
    """
    draft = folder / ".draft"
    shutil.rmtree(draft, ignore_errors=True)
    draft.mkdir(parents=True)
    try:
        yield draft
        for path in sorted(draft.iterdir(), key=lambda path: path.name == last):
            os.replace(path, folder / path.name)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
