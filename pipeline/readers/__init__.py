"""Readers: the bytes of a file to tables of text, one module a format.

``read_tables`` looks at a file's name and first bytes, refuses what is not what it claims to be,
and hands the file to the reader of its format: delimited text (``.csv``, ``.tsv``, ``.txt``, also
``.gz``), workbooks (``.xlsx``), ``.parquet``, and daily weather (``.dly``, and its by-year layout
in a ``.csv``). Nothing is interpreted here: every cell stays the text it was written as, stripped
of blanks around it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pipeline.readers.delimited import read_delimited
from pipeline.readers.files import byte_blocks, file_format, refuse_unfit
from pipeline.readers.ghcn import is_by_year, read_by_year, read_dly
from pipeline.readers.parquet import read_parquet
from pipeline.readers.tables import ROW, MalformedRow, ReadOptions, TextTable, with_short_cells
from pipeline.readers.workbook import read_workbook
from pipeline.settings import IngestSettings

__all__ = [
    "ROW",
    "MalformedRow",
    "ReadOptions",
    "TextTable",
    "read_tables",
    "refuse_unfit",
]


def read_tables(
    path: Path,
    options: ReadOptions = ReadOptions(),  # noqa: B008 - frozen
    limits: IngestSettings = IngestSettings(),  # noqa: B008 - frozen
    name: str | None = None,
) -> Iterator[TextTable]:
    """Yield the tables of one file; each is to be consumed before the next.

    Parameters
    ----------
    path : pathlib.Path
        The file, or its copy in the archive.
    options : ReadOptions
        How to read it, where that is not to be detected.
    limits : IngestSettings
        What a file may be.
    name : str, optional
        The file's original name, which decides its format and stands in messages.

    Raises
    ------
    ReadError
        The file cannot be read as what it claims to be. Faults further inside are raised while
        the batches of a table are consumed.
    """
    yield from map(with_short_cells, _tables(path, options, limits, name or path.name))


def _tables(
    path: Path, options: ReadOptions, limits: IngestSettings, name: str
) -> Iterator[TextTable]:
    match file_format(path, name, limits):
        case "workbook":
            yield from read_workbook(path, name, options, limits)
        case "parquet":
            yield read_parquet(path, name, options, limits)
        case "dly":
            yield read_dly(path, name, options, limits)
        case _ if is_by_year(next(byte_blocks(path, name, limits), b"")[:200]):
            yield read_by_year(path, name, options, limits)
        case _:
            yield read_delimited(path, name, options, limits)
