"""XLSX workbooks: every sheet a table, every cell text, dates and times in ISO 8601."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from fnmatch import fnmatchcase
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl
import python_calamine as calamine

from pipeline.contracts import EXAMPLE_MARK, LISTS_SHEET
from pipeline.errors import ReadError
from pipeline.readers.comments import is_comment
from pipeline.readers.headings import named_headings, place, without_unnamed
from pipeline.readers.tables import ROW, MalformedRow, ReadOptions, TextTable
from pipeline.readers.workbook_scan import SheetScan, scan_workbook
from pipeline.settings import IngestSettings

_BATCH_ROWS = 20_000
_SAMPLE_ROWS = 1_000
_WORKSHEET = calamine.SheetTypeEnum.WorkSheet


def read_workbook(
    path: Path, name: str, options: ReadOptions, limits: IngestSettings
) -> Iterator[TextTable]:
    """Yield the sheets that hold values, in their order, hidden ones included.

    Raises
    ------
    ReadError
        The workbook is damaged, encrypted, holds macros, would expand beyond the limits, or holds
        no value; a sheet has merged cells in its table or an unusable heading.
    """
    scans = scan_workbook(path, name, limits)
    try:
        book = calamine.CalamineWorkbook.from_path(str(path))
    except (calamine.CalamineError, OSError):
        raise _damaged(name) from None
    hidden = {
        sheet.name
        for sheet in book.sheets_metadata
        if sheet.visible is not calamine.SheetVisibleEnum.Visible
    }
    if not {s.name for s in book.sheets_metadata if s.typ == _WORKSHEET} <= scans.keys():
        raise _damaged(name)
    filled = [
        sheet
        for sheet in book.sheet_names
        if sheet in scans
        and scans[sheet].last_row
        and not (sheet == LISTS_SHEET and sheet in hidden)
    ]
    if not filled:
        raise ReadError(f"{name} is an empty workbook.", mend="Check that its sheets hold rows.")
    with book:
        for sheet in filled:
            table = _Sheet(name, sheet, _cells(book, sheet, name), scans[sheet])
            if any(fnmatchcase(sheet, pattern) for pattern in options.unchecked_sheets):
                yield table.unchecked()
            elif not table.is_example():
                yield table.checked(options, limits)


def _damaged(name: str) -> ReadError:
    return ReadError(f"{name} is a damaged workbook.", mend="Save it again as .xlsx.")


def _cells(book: calamine.CalamineWorkbook, sheet: str, name: str) -> calamine.CalamineSheet:
    try:
        return book.get_sheet_by_name(sheet)
    except calamine.CalamineError as error:
        raise ReadError(
            f"{place(name, sheet)} cannot be read: {str(error).rstrip('.')}.",
            mend="Open it, copy the table into a new workbook, and send that.",
        ) from None


@dataclass(slots=True)
class _Sheet:
    """One sheet on its way to a table."""

    file: str
    name: str
    source: calamine.CalamineSheet
    scan: SheetScan
    malformed: list[MalformedRow] = field(default_factory=list)

    def rows(self, decimal: str) -> Iterator[tuple[int, list[str]]]:
        """Yield row numbers from 1 and the cells' texts; rows without any text are left out."""
        offset = self.source.start[1] if self.source.start else 0
        width = self.scan.last_column
        odd: dict[int, dict[int, str]] = {}
        for (row, column), text in self.scan.odd_cells.items():
            odd.setdefault(row, {})[column] = text
        has_time = self._columns_with_time(offset)
        values = self._values()
        n_read = 0
        for index in range(self.scan.last_row):
            given: list[Any] = [""] * offset + list(next(values, ()))
            cells: list[str] = []
            for column, value in enumerate(given[:width]):
                if type(value) is datetime:
                    has_time.add(column)
                cells.append(_text(value, decimal, column in has_time))
            cells += [""] * (width - len(cells))
            n_read += sum(map(bool, cells))
            for column, text in odd.get(index, {}).items():
                n_read -= bool(cells[column])
                cells[column] = text
            if any(cells):
                yield index + 1, cells
        if n_read != self.scan.n_values:
            raise ReadError(
                f"{place(self.file, self.name)} holds {self.scan.n_values:,} values, but "
                f"{n_read:,} can be read.",
                mend="Open it, copy the table into a new workbook, and send that.",
            )

    def _values(self) -> Iterator[Sequence[Any]]:
        """Rows of cells as the cell reader gives them."""
        try:
            yield from self.source.iter_rows() if self.source.start else ()
        except OverflowError:
            raise ReadError(
                f"{place(self.file, self.name)} holds a date or a time that no calendar has.",
                mend="Write it as text, or correct it.",
            ) from None

    def _columns_with_time(self, offset: int) -> set[int]:
        """Columns whose first rows hold a time of day: a midnight there is a moment, not a day."""
        first = islice(self._values(), _SAMPLE_ROWS)
        return {
            column + offset
            for row in first
            for column, value in enumerate(row)
            if type(value) is datetime
        }

    def is_example(self) -> bool:
        """Whether every row is marked as an invented example, so that nothing in it is data."""
        return all(cells[0].startswith(EXAMPLE_MARK) for _, cells in self.rows("."))

    def unchecked(self) -> TextTable:
        """Return the rows under made-up headings, for a sheet that is set aside whole."""
        header = tuple(f"column {i + 1}" for i in range(self.scan.last_column))
        batches = self._batches(self.rows("."), header)
        return TextTable(self.name, header, batches, self.malformed)

    def checked(self, options: ReadOptions, limits: IngestSettings) -> TextTable:
        """Find the heading, refuse merged cells, and stream the rows below."""
        skip_rows = next(
            (n for pattern, n in options.skip_rows_of if fnmatchcase(self.name, pattern)),
            options.skip_rows,
        )
        decimal = options.decimal or "."
        rows = self.rows(decimal)
        for row, cells in rows:
            if row > skip_rows and not is_comment(cells, 0):
                break
        else:
            raise ReadError(
                f"{place(self.file, self.name)} holds no heading.",
                mend="Put the column names into the first row.",
            )
        self._refuse_merged(row)
        while cells and not cells[-1]:
            cells.pop()
        # Columns beyond the last heading stay: a value there stands under no heading.
        cells += [""] * (self.scan.last_column - len(cells))
        header = named_headings(cells, self.file, self.name, limits)
        named = tuple(heading for heading in header if heading is not None)
        return TextTable(self.name, named, self._batches(rows, header), self.malformed, decimal)

    def _refuse_merged(self, heading_row: int) -> None:
        for (top, left), (bottom, right) in self.source.merged_cell_ranges or ():
            if bottom + 1 >= heading_row:
                cells = f"{_letters(left)}{top + 1}:{_letters(right)}{bottom + 1}"
                raise ReadError(
                    f"{place(self.file, self.name)} has merged cells: {cells}.",
                    mend="Unmerge them and write the value into every cell it belongs to.",
                )

    def _batches(
        self, rows: Iterator[tuple[int, list[str]]], header: tuple[str | None, ...]
    ) -> Iterator[pl.DataFrame]:
        schema = dict.fromkeys((str(i) for i in range(len(header))), pl.String)
        while part := list(islice(rows, _BATCH_ROWS)):
            kept = [(row, cells) for row, cells in part if not is_comment(cells, None)]
            frame = pl.DataFrame([cells for _, cells in kept], schema=schema, orient="row")
            frame = frame.with_columns(pl.when(pl.all() != "").then(pl.all()))
            frame = frame.with_columns(pl.Series(ROW, [row for row, _ in kept], dtype=pl.Int64))
            yield without_unnamed(frame, header, self.malformed)


def _text(value: Any, decimal: str, has_time: bool) -> str:
    """Write a cell as text; a date in a column of moments is its midnight."""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        text = str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
        return text.replace(".", decimal)
    if isinstance(value, datetime | time):
        return value.isoformat()
    if isinstance(value, date):
        return f"{value.isoformat()}T00:00:00" if has_time else value.isoformat()
    if isinstance(value, timedelta):
        return f"{value.total_seconds() / 3600:g} h"
    return str(value)


def _letters(column: int) -> str:
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
