"""Delimited text, of any size: fields are counted row by row before anything is parsed.

A decimal comma that is not quoted adds a field and would shift all later cells of its row into
the wrong columns. So a row is handed on only if it has as many fields as the heading; any other
is set aside with its number. Counting works on whole blocks of bytes; only where quotation marks
stand inside unquoted cells does a slower row-by-row reading take over.

References
----------
RFC 4180 for quoting and line ends.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from io import StringIO
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.errors import ReadError
from pipeline.readers.comments import is_comment
from pipeline.readers.decoding import utf8_lines
from pipeline.readers.files import byte_blocks
from pipeline.readers.headings import named_headings, without_unnamed
from pipeline.readers.tables import ROW, MalformedRow, ReadOptions, TextTable
from pipeline.settings import IngestSettings

_CANDIDATES = (",", ";", "\t", "|")
_NEWLINE, _RETURN, _QUOTE, _HASH, _SPACE, _TAB = b'\n\r"# \t'
_SAMPLE, _WINDOW = 1 << 20, 1 << 16
_SAMPLE_ROWS = 500
_BATCH_ROWS = 50_000
_TEXT_SHOWN = 200
_MOST_MALFORMED = 1_000_000
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+")
_POINT_NUMBER = re.compile(r"[+-]?\d*\.\d+")
_OPEN_QUOTE = "Close the quotation mark, or remove it."


def read_delimited(
    path: Path, name: str, options: ReadOptions, limits: IngestSettings
) -> TextTable:
    """Read a delimited text file, gzip-compressed or not.

    Raises
    ------
    ReadError
        The heading is absent or unusable, the delimiter is wrong, the bytes are no text, or a
        quotation mark is never closed. Later faults are raised while the batches are consumed.
    """
    blocks = utf8_lines(byte_blocks(path, name, limits), name, options.encoding)
    first = next(blocks, b"")
    while len(first) < _SAMPLE and (more := next(blocks, b"")):
        first += more
    sample = _sample_lines(first)
    delimiter = options.delimiter or _detect_delimiter(sample, options.skip_rows)
    cells, heading_row, lines = _heading(sample, delimiter, options.skip_rows, name)
    _refuse_wrong_delimiter(cells, delimiter, name)
    header = named_headings(cells, name, "", limits)
    start = sum(len(line.encode()) for line in sample[:lines])
    shape = _Shape(name, header, delimiter, heading_row)
    data = chain([first[start:]] if start < len(first) else [], blocks)
    return TextTable(
        "",
        tuple(h for h in header if h is not None),
        _batches(shape, data),
        shape.malformed,
        options.decimal or _detect_decimal(sample[lines:], delimiter),
    )


@dataclass(slots=True)
class _Shape:
    """The table's shape, and how far reading has come."""

    name: str
    header: tuple[str | None, ...]
    delimiter: str
    rows_read: int
    malformed: list[MalformedRow] = field(default_factory=list)

    @property
    def width(self) -> int:
        return len(self.header)

    def set_aside(self, row: int, text: str, n_fields: int) -> None:
        """Note a row whose number of fields is not the heading's."""
        if len(self.malformed) >= _MOST_MALFORMED:
            raise ReadError(
                f"{self.name} has more than {_MOST_MALFORMED:,} rows whose number of fields is "
                f"not the heading's, {self.width}.",
                mend="Check its delimiter and its heading.",
            )
        more = ""
        if n_fields < self.width:
            more = " If the file ends here, it was cut off: send it again."
        elif self.delimiter == ",":
            more = " Write decimals with a point, or put cells that hold a comma in quotes."
        self.malformed.append(
            MalformedRow(
                row,
                text.rstrip("\r\n")[:_TEXT_SHOWN],
                f"{n_fields} field{'s' * (n_fields != 1)} where the heading has {self.width}",
                "Give the row exactly one field for each heading." + more,
            )
        )


def _sample_lines(first: bytes) -> list[str]:
    """Whole lines, unchanged, so that their lengths add up."""
    lines = list(StringIO(first[:_SAMPLE].decode("utf-8", errors="ignore"), newline="\n"))
    return lines[:-1] if len(first) > _SAMPLE and len(lines) > 1 else lines


def _csv_rows(lines: Iterable[str], delimiter: str) -> Any:
    """Cut lines into cells; a carriage return inside a line counts as a blank."""
    plain = (line.rstrip("\r\n").replace("\r", " ") + "\n" for line in lines)
    return csv.reader(plain, delimiter=delimiter, skipinitialspace=True)


def _heading(
    sample: list[str], delimiter: str, skip_rows: int, name: str
) -> tuple[list[str], int, int]:
    """Find the heading: its cells, its row number, and how many lines end with it."""
    rows = _csv_rows(sample, delimiter)
    try:
        for row, cells in enumerate(rows, start=1):
            is_blank = not any(cell.strip() for cell in cells)
            if row > skip_rows and not is_blank and not is_comment(cells, 0):
                return cells, row, rows.line_num
    except csv.Error:
        pass
    raise ReadError(f"{name} holds no heading.", mend="Put the column names into the first row.")


def _detect_delimiter(sample: list[str], skip_rows: int) -> str:
    """Take the delimiter by which most rows have the heading's number of fields."""

    def score(delimiter: str) -> tuple[float, int]:
        if not any(delimiter in line for line in sample):
            return (0.0, 0)
        rows = islice(_csv_rows(sample, delimiter), skip_rows, skip_rows + _SAMPLE_ROWS)
        try:
            cut = [len(cells) for cells in rows if cells and not is_comment(cells, 0)]
        except csv.Error:
            return (0.0, 0)
        if not cut or cut[0] < 2:
            return (0.0, 0)
        return (round(cut.count(cut[0]) / len(cut), 1), cut[0])

    return max(_CANDIDATES, key=score)


def _refuse_wrong_delimiter(cells: list[str], delimiter: str, name: str) -> None:
    if len(cells) == 1 and re.search(r"[,;\t|:~^]|\S {2,}\S", cells[0].strip()):
        raise ReadError(
            f"{name} is not delimited by {delimiter!r}: its whole heading is one field, "
            f"{cells[0].strip()[:60]!r}.",
            mend="Save it as CSV, or set its delimiter in a mapping.",
        )


def _detect_decimal(sample: list[str], delimiter: str) -> str:
    """Decimal comma: some cells are numbers with a comma, none is one with a point."""
    if delimiter == ",":
        return "."
    try:
        rows = list(islice(_csv_rows(sample, delimiter), _SAMPLE_ROWS))
    except csv.Error:
        return "."
    cells = [cell.strip() for row in rows for cell in row]
    has_comma = any(_COMMA_NUMBER.fullmatch(cell) for cell in cells)
    return "," if has_comma and not any(_POINT_NUMBER.fullmatch(cell) for cell in cells) else "."


def _batches(shape: _Shape, data: Iterable[bytes]) -> Iterator[pl.DataFrame]:
    rest = b""
    blocks = iter(data)
    for block in blocks:
        whole = rest + block
        marks = _marks(whole, ord(shape.delimiter))
        if marks is None:
            yield from _slow_batches(shape, chain([whole], blocks))
            return
        is_delimiter, ends = marks
        cut = int(ends[-1]) + 1 if len(ends) else 0
        rest = whole[cut:]
        if len(rest) > _SAMPLE:
            raise _unclosed(shape)
        if cut:
            yield _frame(shape, whole[:cut], is_delimiter[:cut], ends)
    if rest:
        whole = rest + b"\n"
        marks = _marks(whole, ord(shape.delimiter))
        if marks is None:
            yield from _slow_batches(shape, [whole])
            return
        is_delimiter, ends = marks
        if not len(ends) or ends[-1] != len(whole) - 1:
            raise _unclosed(shape)
        yield _frame(shape, whole, is_delimiter, ends)


def _unclosed(shape: _Shape) -> ReadError:
    return ReadError(
        f"{shape.name}: a quotation mark opened in row {shape.rows_read + 1} or later is never "
        "closed.",
        mend=_OPEN_QUOTE,
    )


def _too_long(shape: _Shape) -> ReadError:
    return ReadError(
        f"{shape.name}: row {shape.rows_read + 1} has a cell of more than "
        f"{csv.field_size_limit():,} characters.",
        mend="Shorten it, or close the quotation mark that it follows.",
    )


def _marks(block: bytes, delimiter: int) -> tuple[np.ndarray, np.ndarray] | None:
    """Find delimiters (mask) and row ends (positions) outside quotes.

    None when a quotation mark stands where RFC 4180 has none, so that counting marks cannot tell
    what is quoted.
    """
    data = np.frombuffer(block, dtype=np.uint8)
    is_delimiter, is_end = data == delimiter, data == _NEWLINE
    if _QUOTE in block:
        is_quote = data == _QUOTE
        places = np.flatnonzero(is_quote)
        before = np.concatenate(([_NEWLINE], data))[places[0::2]]
        after = np.concatenate((data, [_NEWLINE]))[places[1::2] + 1]
        allowed = [delimiter, _NEWLINE, _QUOTE]
        if not (np.isin(before, allowed).all() and np.isin(after, [*allowed, _RETURN]).all()):
            return None
        is_outside = np.cumsum(is_quote, dtype=np.uint8) % 2 == 0
        is_delimiter &= is_outside
        is_end &= is_outside
    return is_delimiter, np.flatnonzero(is_end)


def _frame(shape: _Shape, block: bytes, is_delimiter: np.ndarray, ends: np.ndarray) -> pl.DataFrame:
    """Parse a block of whole rows, those with the right number of fields."""
    starts = np.concatenate(([0], ends[:-1] + 1))
    n_fields = _counts(is_delimiter, starts) + 1
    is_good = n_fields == shape.width
    data = np.frombuffer(block, dtype=np.uint8)
    is_blank = (ends == starts) | ((ends == starts + 1) & (data[starts] == _RETURN))
    may_be_comment = (data[starts] == _HASH) | (data[starts] == _QUOTE)
    if may_be_comment.any():
        second = data[np.minimum(starts + 1, len(data) - 1)]
        may_be_comment &= (second == _SPACE) | (second == _HASH)
    is_odd = ~is_blank & (~is_good | may_be_comment)
    is_good &= ~is_blank
    for i in np.flatnonzero(is_odd).tolist():
        text = block[starts[i] : ends[i]].decode()
        if is_comment(_cells_of(text, shape.delimiter), shape.width):
            is_good[i] = False
        elif not is_good[i]:
            shape.set_aside(shape.rows_read + i + 1, text, int(n_fields[i]))
    rows = np.flatnonzero(is_good) + shape.rows_read + 1
    shape.rows_read += len(ends)
    frame = _parsed(shape, _kept(block, starts, ends, is_good), rows)
    return _tidy(shape, frame, _has_blanks_at_edges(block, shape.delimiter))


def _cells_of(text: str, delimiter: str) -> list[str]:
    """Cut one row into cells; none where it cannot be cut."""
    try:
        return next(_csv_rows([text], delimiter), [])
    except csv.Error:
        return []


def _counts(is_delimiter: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Delimiters of each row; in bytes, which is fast, unless a row has more than fit."""
    marks = is_delimiter.view(np.uint8)
    counts = np.add.reduceat(marks, starts, dtype=np.uint8).astype(np.int64)
    if counts.sum() == np.count_nonzero(is_delimiter):
        return counts
    return np.add.reduceat(marks, starts, dtype=np.int64)


def _has_blanks_at_edges(block: bytes, delimiter: str) -> bool:
    """Whether some cell may begin or end with a blank, or be a quoted nothing."""
    if _QUOTE in block or (not block.isascii() and b"\xc2\xa0" in block):
        return True
    data = np.frombuffer(block, dtype=np.uint8)
    # in windows that overlap by one byte: a mask of a whole block costs more memory than time
    return data[0] in (_SPACE, _TAB) or any(
        _has_blank_beside_edge(data[start : start + _WINDOW + 1], ord(delimiter))
        for start in range(0, len(data), _WINDOW)
    )


def _has_blank_beside_edge(data: np.ndarray, delimiter: int) -> bool:
    is_blank = data == _SPACE
    if delimiter != _TAB:
        is_blank |= data == _TAB
    is_edge = (data == delimiter) | (data == _NEWLINE) | (data == _RETURN)
    return bool((is_blank[1:] & is_edge[:-1]).any() or (is_blank[:-1] & is_edge[1:]).any())


def _kept(block: bytes, starts: np.ndarray, ends: np.ndarray, is_good: np.ndarray) -> bytes:
    """Cut the rows that are not good out of the block."""
    if is_good.all():
        return block
    edges = np.flatnonzero(np.diff(np.concatenate(([False], is_good, [False])).astype(np.int8)))
    runs = zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True)
    return b"".join(block[starts[a] : ends[b - 1] + 1] for a, b in runs)


def _parsed(shape: _Shape, block: bytes, rows: np.ndarray) -> pl.DataFrame:
    columns = [f"{i}" for i in range(shape.width)]
    if not block:
        return pl.DataFrame(schema=dict.fromkeys(columns, pl.String)).with_columns(
            pl.Series(ROW, rows, dtype=pl.Int64)
        )
    if shape.width == 1:  # a lone empty cell looks like a blank line to the parser
        lines = StringIO(block.decode(), newline="\n")
        try:
            cells = [row[0] if row else "" for row in _csv_rows(lines, shape.delimiter)]
        except csv.Error:
            raise _uncuttable(shape, rows) from None
        frame = pl.DataFrame({"0": cells}, schema={"0": pl.String})
    else:
        try:
            frame = pl.read_csv(
                block,
                has_header=False,
                new_columns=columns,
                separator=shape.delimiter,
                quote_char='"' if _QUOTE in block else None,
                infer_schema=False,
            )
        except pl.exceptions.PolarsError:
            raise _uncuttable(shape, rows) from None
    if frame.shape != (len(rows), shape.width):
        raise _uncuttable(shape, rows)
    return frame.with_columns(pl.Series(ROW, rows, dtype=pl.Int64))


def _uncuttable(shape: _Shape, rows: np.ndarray) -> ReadError:
    return ReadError(
        f"{shape.name} cannot be cut into rows near row {rows[0]}.",
        mend="Save it again as CSV with quotation marks only around whole cells.",
    )


def _tidy(shape: _Shape, frame: pl.DataFrame, has_blanks: bool) -> pl.DataFrame:
    """Strip blanks around cells, make empty cells null, drop rows without any cell."""
    cells = pl.exclude(ROW)
    if has_blanks:
        frame = frame.with_columns(cells.str.strip_chars())
        frame = frame.with_columns(pl.when(cells != "").then(cells))
    if frame.get_column("0").null_count():
        frame = frame.filter(~pl.all_horizontal(cells.is_null()))
    return without_unnamed(frame, shape.header, shape.malformed)


def _slow_batches(shape: _Shape, data: Iterable[bytes]) -> Iterator[pl.DataFrame]:
    """Read row by row: a quotation mark inside an unquoted cell is then an ordinary character."""
    sentinel = "\0"  # in no text: see ``decoding.py``
    lines = (line for block in data for line in StringIO(block.decode(), newline="\n"))
    rows = _csv_rows(chain(lines, [sentinel]), shape.delimiter)
    while True:
        good: list[list[str]] = []
        numbers: list[int] = []
        is_done = False
        try:
            for cells in islice(rows, _BATCH_ROWS):
                if cells == [sentinel]:
                    is_done = True
                    break
                if cells and cells[-1].rstrip("\n").endswith(sentinel):
                    raise _unclosed(shape)
                shape.rows_read += 1
                is_blank = not any(cell.strip() for cell in cells)
                if is_blank or is_comment(cells, shape.width):
                    continue
                if len(cells) == shape.width:
                    good.append(cells)
                    numbers.append(shape.rows_read)
                else:
                    shape.set_aside(shape.rows_read, shape.delimiter.join(cells), len(cells))
        except csv.Error as error:
            raise (_too_long(shape) if "limit" in str(error) else _unclosed(shape)) from None
        columns = [f"{i}" for i in range(shape.width)]
        frame = pl.DataFrame(good, schema=dict.fromkeys(columns, pl.String), orient="row")
        frame = frame.with_columns(pl.Series(ROW, numbers, dtype=pl.Int64))
        yield _tidy(shape, frame, True)
        if is_done:
            return
