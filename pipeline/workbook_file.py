"""A new workbook on disk; that it cannot be written is told in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.disk import FULL_ERRNOS
from pipeline.errors import StoreError

if TYPE_CHECKING:
    from xlsxwriter.workbook import Workbook


@contextmanager
def new_workbook(path: Path, options: dict[str, Any] | None = None) -> Iterator[Workbook]:
    """Give an empty workbook that is written when the block ends.

    Parameters
    ----------
    path : Path
        The ``.xlsx`` file; one that is there is replaced.
    options : dict, optional
        Of xlsxwriter.

    Raises
    ------
    StoreError
        The file cannot be made: no permission, or another program has it open.
    OSError
        The disk is full.
    """
    import xlsxwriter
    from xlsxwriter.exceptions import FileCreateError

    try:
        with xlsxwriter.Workbook(str(path), options or {}) as workbook:
            yield workbook
    except FileCreateError as error:
        cause = error.__context__
        if isinstance(cause, OSError) and cause.errno in FULL_ERRNOS:
            raise cause from None
        why = cause.strerror if isinstance(cause, OSError) else str(error)
        raise StoreError(
            f"The workbook {path} could not be written: {why}.",
            mend="Close it if it is open, see that you may write to its folder, and try again.",
        ) from error
