"""Parquet files: typed columns written as text without loss."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import ReadError
from pipeline.readers.headings import named_headings
from pipeline.readers.tables import ROW, ReadOptions, TextTable
from pipeline.settings import IngestSettings

_BATCH_ROWS = 250_000
_FAULTS = (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError)
_FIRST, _LAST = datetime(1, 1, 1), datetime(9999, 12, 31)
"""What can be written as year-month-day."""
_EPOCH = datetime(1970, 1, 1)


def read_parquet(path: Path, name: str, options: ReadOptions, limits: IngestSettings) -> TextTable:
    """Read a Parquet file; row 1 is the heading, so the first row of data is row 2.

    Whole numbers kept as floats are written without ``.0``; moments with a time zone become UTC
    with their offset; moments without one stay naive.

    Raises
    ------
    ReadError
        The file is damaged, would expand beyond the limit, or a column holds lists, structures,
        bytes or durations.
    """
    try:
        _refuse_extent(pq.read_metadata(path), name, limits)
        lazy = pl.scan_parquet(path, glob=False, hive_partitioning=False)
        schema = lazy.collect_schema()
    except (*_FAULTS, pa.ArrowException, ValueError):  # the latter: names that are no text
        raise _damaged(name) from None
    header = named_headings(schema.names(), name, "", limits)
    if None in header:
        raise ReadError(f"{name} has a column without a name.", mend="Name every column.")
    casts = [
        _text(column, kind, name, options.decimal or ".").alias(str(heading))
        for (column, kind), heading in zip(schema.items(), header, strict=True)
    ]
    named = tuple(str(heading) for heading in header)
    batches = _within_limit(_batches(path, casts, name), name, limits)
    return TextTable("", named, batches, [], options.decimal or ".")


def _damaged(name: str) -> ReadError:
    return ReadError(f"{name} is a damaged Parquet file.", mend="Export it again as Parquet.")


def _refuse_extent(file: pq.FileMetaData, name: str, limits: IngestSettings) -> None:
    """Refuse by what the file says of itself; as text, every cell has a byte at least."""
    unpacked = sum(file.row_group(i).total_byte_size for i in range(file.num_row_groups))
    if max(unpacked, file.num_rows * file.num_columns) > limits.maximum_expanded_mb * 1_000_000:
        raise _too_large(name, limits)


def _within_limit(
    batches: Iterator[pl.DataFrame], name: str, limits: IngestSettings
) -> Iterator[pl.DataFrame]:
    """Count the text as it is made: one value stored once may stand in millions of rows."""
    limit, total = limits.maximum_expanded_mb * 1_000_000, 0
    for batch in batches:
        sizes = batch.select(pl.exclude(ROW).str.len_bytes().sum() + pl.len())
        total += sum(sizes.row(0))
        if total > limit:
            raise _too_large(name, limits)
        yield batch


def _too_large(name: str, limits: IngestSettings) -> ReadError:
    return ReadError(
        f"{name} expands to more than {limits.maximum_expanded_mb:,} MB.",
        mend="Split it, or raise maximum_expanded_mb in study.toml.",
    )


def _batches(path: Path, casts: list[pl.Expr], name: str) -> Iterator[pl.DataFrame]:
    row = 2
    try:
        for part in pq.ParquetFile(path).iter_batches(batch_size=_BATCH_ROWS):
            batch = pl.DataFrame(pl.from_arrow(part))
            numbers = pl.int_range(row, row + batch.height, dtype=pl.Int64, eager=True).alias(ROW)
            row += batch.height
            text = batch.select(casts)
            text = text.with_columns(pl.when(pl.all() != "").then(pl.all()))
            yield text.with_columns(numbers).filter(~pl.all_horizontal(pl.exclude(ROW).is_null()))
    except (*_FAULTS, pa.ArrowException, ValueError):
        raise _damaged(name) from None


def _text(column: str, kind: pl.DataType, name: str, decimal: str) -> pl.Expr:
    value = pl.col(column)
    if kind.is_integer() or kind == pl.Boolean or kind in (pl.Categorical, pl.Enum, pl.Null):
        return value.cast(pl.String)
    if kind.is_float() or kind.is_decimal():
        text = value.cast(pl.String)
        if kind.is_float():
            text = text.str.strip_suffix(".0")
        return text.str.replace(".", decimal, literal=True) if decimal != "." else text
    if kind == pl.String:
        return value.str.strip_chars()
    if kind == pl.Date:
        first, last = ((day - _EPOCH).days for day in (_FIRST, _LAST))
        return _day_text(value, "%Y-%m-%d", first, last)
    if isinstance(kind, pl.Datetime):
        a_second = {"ms": 10**3, "us": 10**6, "ns": 10**9}[kind.time_unit]
        first, last = (int((day - _EPOCH).total_seconds()) * a_second for day in (_FIRST, _LAST))
        if kind.time_unit == "ns":  # which ends in 2262
            first, last = -(2**63) + 1, 2**63 - 1
        if kind.time_zone:
            value = value.dt.convert_time_zone("UTC")
        pattern = "%Y-%m-%dT%H:%M:%S" + ("%:z" if kind.time_zone else "")
        return _day_text(value, pattern, first, last)
    raise ReadError(
        f"{name}: column {column!r} holds {kind}, which is no text, number, date or moment.",
        mend="Export the column as text or numbers.",
    )


def _day_text(value: pl.Expr, pattern: str, first: int, last: int) -> pl.Expr:
    """Write days or moments; outside the calendar's years, the number that was stored."""
    stored = value.to_physical()
    known = pl.when(stored.is_between(first, last)).then(value)
    return pl.coalesce(known.dt.strftime(pattern), stored.cast(pl.String))
