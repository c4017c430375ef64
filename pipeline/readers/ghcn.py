"""Daily summaries of the GHCN-Daily archive, in its fixed-width and its by-year layout.

Both layouts hold one element a line; out of them comes one row a station and day with the headings
of the record ``weather_daily``. A value with a quality flag is set aside and counted; a missing
value stays missing. Of the elements only TMAX, TMIN, TAVG, PRCP, SNWD and AWND are read; the daily
mean is given only where the station reports TAVG. Row numbers count station-days, the first being
1, because one line of the fixed-width layout holds a month; lines that are not of the layout are
counted on after the last, and say which line they are.

References
----------
Menne MJ, Durre I, Vose RS, Gleason BE, Houston TG (2012), J. Atmos. Oceanic Technol. 29:897-910,
and the archive's own readme for columns, units and flags (both from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.errors import ReadError
from pipeline.readers.decoding import utf8_lines
from pipeline.readers.files import byte_blocks
from pipeline.readers.tables import ROW, MalformedRow, ReadOptions, TextTable
from pipeline.settings import IngestSettings

_ELEMENTS = {
    "TAVG": ("temperature_mean_c", 10),
    "TMAX": ("temperature_max_c", 10),
    "TMIN": ("temperature_min_c", 10),
    "AWND": ("wind_mean_m_s", 10),
    "PRCP": ("precipitation_mm", 10),
    "SNWD": ("snow_depth_mm", 1),
}
"""Element to column and to how many of the archive's units make one of ours."""
_HEADER = ("station_id", "observed_on", *(column for column, _ in _ELEMENTS.values()))
_MISSING = -9999
_MOST_BYTES = 100_000_000  # some hundred stations for a century; read whole
_STATION = re.compile(r"[A-Z]{2}[A-Z0-9_-]\w{8}")
_BY_YEAR_HEADING = re.compile(rb"date,attr,value,a,b,c,d\s*\n")
_BY_YEAR_LINE = re.compile(
    rb"[A-Z]{2}[A-Z0-9_-]\w{8},[0-9]{8},[A-Z0-9]{4},-?[0-9]+,.?,.?,.?,[0-9]*\s*\n"
)


def is_by_year(first: bytes) -> bool:
    """Tell whether a file's first bytes are the by-year layout, with or without a heading."""
    return bool(_BY_YEAR_HEADING.match(first) or _BY_YEAR_LINE.match(first))


def read_dly(path: Path, name: str, options: ReadOptions, limits: IngestSettings) -> TextTable:
    """Read the fixed-width layout: a line holds one month of one element.

    Raises
    ------
    ReadError
        No line has the layout's width and signature.
    """
    del options
    text = _whole_text(path, name, "latin-1", limits)
    lines = pl.DataFrame({"line": text.decode().splitlines()}).with_row_index("no", 1)
    line = pl.col("line")
    is_whole = line.str.contains(r"^[A-Z]{2}[A-Z0-9_-]\w{8}\d{4}(0[1-9]|1[0-2])[A-Z0-9]{4}") & (
        line.str.len_chars() >= 21 + 31 * 8 - 3
    )
    whole = lines.filter(is_whole)
    if not whole.height:
        raise ReadError(
            f"{name} is not in the fixed-width layout of daily weather archives.",
            mend="Download the station's .dly file again.",
        )
    malformed = [
        MalformedRow(
            int(no), broken[:60], "not a line of the archive's layout", "Download the file again."
        )
        for no, broken in lines.filter(~is_whole & (line.str.strip_chars() != "")).iter_rows()
    ]
    long = pl.concat(
        whole.filter(line.str.slice(17, 4).is_in(list(_ELEMENTS))).select(
            station_id=line.str.slice(0, 11),
            day=line.str.slice(11, 6) + pl.lit(f"{day:02d}"),
            element=line.str.slice(17, 4),
            value=line.str.slice(21 + 8 * (day - 1), 5),
            flag=line.str.slice(21 + 8 * (day - 1) + 6, 1),
        )
        for day in range(1, 32)
    )
    return _table(long, malformed)


def read_by_year(path: Path, name: str, options: ReadOptions, limits: IngestSettings) -> TextTable:
    """Read the by-year layout: a line holds one day of one element.

    Without a station column the station is the first word of the file's name.

    Raises
    ------
    ReadError
        The file names no station.
    """
    del options
    text = _whole_text(path, name, None, limits)
    has_heading = bool(_BY_YEAR_HEADING.match(text))
    columns = ["day", "element", "value", "measurement", "flag", "source", "time"]
    lines = text.decode().splitlines()[int(has_heading) :]
    width = len(columns) + (not has_heading)
    rows = [(i, line.split(",")) for i, line in enumerate(lines, 1 + has_heading) if line.strip()]
    malformed = [
        MalformedRow(
            i, ",".join(cells)[:60], "not a line of the archive's layout", "Download it again."
        )
        for i, cells in rows
        if len(cells) != width
    ]
    good = [cells for _, cells in rows if len(cells) == width]
    if has_heading:
        station = _STATION.match(name)
        if not station:
            raise ReadError(
                f"{name} does not say which station it is from.",
                mend="Begin the file's name with the station's identifier, 11 characters.",
            )
        good = [[station[0], *cells] for cells in good]
    long = pl.DataFrame(
        good, schema=dict.fromkeys(["station_id", *columns], pl.String), orient="row"
    ).filter(pl.col("element").is_in(list(_ELEMENTS)))
    return _table(long.select("station_id", "day", "element", "value", "flag"), malformed)


def _whole_text(path: Path, name: str, encoding: str | None, limits: IngestSettings) -> bytes:
    blocks, total = [], 0
    for block in utf8_lines(byte_blocks(path, name, limits), name, encoding):
        total += len(block)
        if total > _MOST_BYTES:
            raise ReadError(
                f"{name} holds more than {_MOST_BYTES / 1e6:.0f} MB of daily weather.",
                mend="Keep the lines of the stations that are needed, or split it.",
            )
        blocks.append(block)
    return b"".join(blocks)


def _table(long: pl.DataFrame, malformed: list[MalformedRow]) -> TextTable:
    """Turn elements into columns; set aside flagged and unreadable values.

    Parameters
    ----------
    long : polars.DataFrame
        String columns ``station_id``, ``day`` (YYYYMMDD), ``element``, ``value``, ``flag``.
    """
    long = long.with_columns(
        number=pl.col("value").str.strip_chars().cast(pl.Int64, strict=False),
        observed_on=pl.col("day").str.to_date("%Y%m%d", strict=False),
        flag=pl.col("flag").str.strip_chars(),
    ).filter(pl.col("number").is_null() | (pl.col("number") != _MISSING))
    reason = (
        pl.when(pl.col("observed_on").is_null())
        .then(pl.lit("no such day"))
        .when(pl.col("number").is_null())
        .then(pl.lit("not a whole number"))
        .when(pl.col("flag").fill_null("") != "")
        .then(pl.format("the archive's quality flag {}", "flag"))
        .when(pl.struct("station_id", "day", "element").is_first_distinct().not_())
        .then(pl.lit("the element twice on one day"))
    )
    long = long.with_columns(reason=reason).sort("station_id", "day", maintain_order=True)
    # Every station-day keeps its row, even when all its values are set aside.
    key = pl.struct("station_id", "day")
    long = long.with_columns(row=key.rle_id().cast(pl.Int64) + 1)
    days = long["row"].n_unique()
    numbered = [
        replace(line, row=days + i, text=f"line {line.row}: {line.text}")
        for i, line in enumerate(malformed, 1)
    ]
    return TextTable("", _HEADER, _batches(long, numbered), numbered)


def _batches(long: pl.DataFrame, malformed: list[MalformedRow]) -> Iterator[pl.DataFrame]:
    for row in long.filter(pl.col("reason").is_not_null()).iter_rows(named=True):
        malformed.append(
            MalformedRow(
                row["row"],
                f"{row['station_id']} {row['day']} {row['element']} {row['value']}",
                row["reason"],
                "Nothing to do: the value is left out; the day's other values are kept.",
                _ELEMENTS[row["element"]][0],
            )
        )
    kept = pl.col("reason").is_null()
    columns = [
        _decimal_text(
            pl.col("number").filter(kept & (pl.col("element") == element)).first(), scale
        ).alias(column)
        for element, (column, scale) in _ELEMENTS.items()
    ]
    days = long.group_by("row", maintain_order=True).agg(
        pl.col("station_id").first(),
        pl.coalesce(
            pl.col("observed_on").first().dt.to_string("%Y-%m-%d"), pl.col("day").first()
        ).alias("observed_on"),
        *columns,
    )
    yield days.select(*_HEADER, pl.col("row").alias(ROW))


def _decimal_text(number: pl.Expr, scale: int) -> pl.Expr:
    if scale == 1:
        return number.cast(pl.String)
    sign = pl.when(number < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    size = number.abs()
    return pl.format("{}{}.{}", sign, size // scale, size % scale)
