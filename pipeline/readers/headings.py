"""Headings: no two alike, not too many; columns without one must be empty."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.errors import ReadError
from pipeline.readers.tables import ROW, MalformedRow
from pipeline.settings import IngestSettings


def place(name: str, sheet: str) -> str:
    """Name a file, and its sheet where it has one, in a message."""
    return f"{name}, sheet {sheet!r}" if sheet else name


def named_headings(
    cells: Sequence[str], name: str, sheet: str, limits: IngestSettings
) -> tuple[str | None, ...]:
    """Return the headings, stripped; None for a column without one.

    Raises
    ------
    ReadError
        There are too many, or two are alike but for capitals.
    """
    where = place(name, sheet)
    if len(cells) > limits.maximum_columns:
        raise ReadError(
            f"{where} has {len(cells):,} columns; {limits.maximum_columns:,} are allowed.",
            mend="Send only the columns that are needed, or raise maximum_columns in study.toml.",
        )
    header = tuple(" ".join(cell.split()) or None for cell in cells)
    seen: dict[str, str] = {}
    for heading in header:
        if heading is None:
            continue
        key = heading.casefold()
        if key in seen or heading == ROW:
            raise ReadError(
                f"{where} has the heading {heading!r} twice."
                if key in seen
                else f"{where} has the heading {ROW!r}, which is kept for row numbers.",
                mend="Give every column its own heading.",
            )
        seen[key] = heading
    if not seen:
        raise ReadError(f"{where} holds no heading.", mend="Put the column names above the rows.")
    return header


def without_unnamed(
    frame: pl.DataFrame, header: Sequence[str | None], malformed: list[MalformedRow]
) -> pl.DataFrame:
    """Name the columns; set aside rows that have a value under no heading.

    Parameters
    ----------
    frame : polars.DataFrame
        Columns ``"0", "1", …`` of text in the order of ``header``, and ``_row``.
    """
    unnamed = [str(i) for i, heading in enumerate(header) if heading is None]
    if unnamed and frame.select(pl.col(unnamed).is_not_null().any()).row(0).count(True):
        is_stray = pl.any_horizontal(pl.col(unnamed).is_not_null())
        for row in frame.filter(is_stray).iter_rows(named=True):
            text = next(row[column] for column in unnamed if row[column] is not None)
            malformed.append(
                MalformedRow(
                    row[ROW],
                    text,
                    "a value under no heading",
                    "Give its column a heading, or remove the value.",
                )
            )
        frame = frame.filter(~is_stray)
    return frame.drop(unnamed).rename(
        {str(i): heading for i, heading in enumerate(header) if heading is not None}
    )
