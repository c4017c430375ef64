"""Rows of notes, which are not data."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.contracts import EXAMPLE_MARK, NOTES_MARK


def is_comment(cells: Sequence[str], width: int | None) -> bool:
    """Tell notes and comments from the row of a colony whose name begins with a hash.

    Parameters
    ----------
    cells : sequence of str
        The row's cells.
    width : int or None
        How many cells a row of data has; 0 while that is not known, above the heading; None when
        every row has as many cells.

    Returns
    -------
    bool
        True for a template's rows of units and of examples, and for a row whose first cell begins
        with ``"# "`` and either stands alone or does not have a data row's number of cells.

    Examples
    --------
    >>> is_comment(["# exported in spring", "", ""], 3), is_comment(["# 3", "2024-10-01", "5"], 3)
    (True, False)
    """
    if not cells or not cells[0].startswith("# "):
        return False
    is_bare = not any(cell.strip() for cell in cells[1:])
    is_other = width is not None and len(cells) != width
    return cells[0].startswith((NOTES_MARK, EXAMPLE_MARK)) or is_bare or is_other
