"""What every reader hands on: text cells with row numbers, and what could not be read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import polars as pl

ROW = "_row"
"""The column of row numbers that stands in every batch."""


@dataclass(frozen=True, slots=True)
class MalformedRow:
    """A row, or one cell of a row, that a reader sets aside with its reason.

    Attributes
    ----------
    row : int
        Row number as a spreadsheet shows it: the heading of a plain file is row 1, and blank and
        comment rows count.
    text : str
        The row or cell as written, cut to a readable length.
    rule, mend : str
        Why it is set aside, and what to do, one imperative sentence.
    column : str
        Empty when the whole row is set aside and so stands in no batch. Otherwise only this
        column's cell is set aside: the row itself is in a batch, with the cell empty.
    """

    row: int
    text: str
    rule: str
    mend: str
    column: str = ""


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How to read one file; what is None is detected.

    Attributes
    ----------
    delimiter, encoding, decimal : str or None
        Of delimited text. ``decimal`` is ``"."`` or ``","``.
    skip_rows : int
        Rows above the heading that are not read.
    skip_rows_of : tuple of (str, int)
        The same for single sheets, by a pattern for the sheet's name; the first that fits counts.
    unchecked_sheets : tuple of str
        Patterns of sheets that a mapping sets aside whole: their rows are counted, their layout
        is not checked.
    """

    delimiter: str | None = None
    encoding: str | None = None
    decimal: str | None = None
    skip_rows: int = 0
    skip_rows_of: tuple[tuple[str, int], ...] = ()
    unchecked_sheets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TextTable:
    """One table of one file, all cells still text, streamed.

    Attributes
    ----------
    sheet : str
        The sheet's name; empty for files without sheets.
    header : tuple of str
        The headings, stripped of blanks around them, no two alike.
    batches : iterator of polars.DataFrame
        String columns named by ``header`` and the Int64 column ``_row``. An empty cell is null.
        To be consumed once, before the next table is asked for.
    malformed : list of MalformedRow
        Filled while ``batches`` is consumed.
    decimal : str
        The decimal mark of the table's numbers, set or detected: ``"."`` or ``","``.
    """

    sheet: str
    header: tuple[str, ...]
    batches: Iterator[pl.DataFrame]
    malformed: list[MalformedRow] = field(default_factory=list)
    decimal: str = "."
