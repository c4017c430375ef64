"""What every reader hands on: text cells with row numbers, and what could not be read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import polars as pl

ROW = "_row"
"""The column of row numbers that stands in every batch."""
LONGEST_CELL = 32_767
"""Characters a cell may have: what a cell of an office program's sheet holds (from memory)."""
_TEXT_SHOWN = 200


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


def with_short_cells(table: TextTable) -> TextTable:
    """Set aside every row with a cell longer than ``LONGEST_CELL``, before anything reads it."""
    return replace(table, batches=_with_short_cells(table))


def _with_short_cells(table: TextTable) -> Iterator[pl.DataFrame]:
    for batch in table.batches:
        texts = pl.exclude(ROW)
        longest = batch.select(texts.str.len_bytes().max()).row(0)
        if not any(length and length > LONGEST_CELL for length in longest):
            yield batch
            continue
        is_long = batch.select(
            pl.any_horizontal(texts.str.len_chars().fill_null(0) > LONGEST_CELL).alias("is_long")
        )["is_long"]
        for row in batch.filter(is_long).iter_rows(named=True):
            column = next(c for c in table.header if len(row[c] or "") > LONGEST_CELL)
            table.malformed.append(
                MalformedRow(
                    row[ROW],
                    f"{column}: {row[column][:_TEXT_SHOWN]}…",
                    f"a cell of {len(row[column]):,} characters",
                    f"Shorten it to {LONGEST_CELL:,} characters at most.",
                )
            )
        yield batch.filter(~is_long)
