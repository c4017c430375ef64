"""Dates and moments as members write them, to expressions of dates and of moments in UTC.

The rule for clocks that are set forward and back: an hour that is skipped does not exist, so such
a reading cannot be placed and its row is rejected. An hour that comes twice is rejected too,
unless the mapping says which is meant (``repeated_hour = "first"`` or ``"second"``). Clocks that
are never set, "local standard time", are given as a fixed offset such as ``UTC-05:00``.
"""

from __future__ import annotations

import re
from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import polars as pl

from pipeline.errors import MappingError

ISO_LOCAL = "%Y-%m-%dT%H:%M:%S"
REPEATED_HOUR = {"first": "earliest", "second": "latest", "refuse": "null"}
_FIXED = re.compile(r"UTC([+-])(\d{1,2}):(\d{2})")
_TIME_PARTS = re.compile(r"%(?:-|_)?[HIMSTRXklcs]")
_OFFSET_PARTS = re.compile(r"%:{0,3}#?z")
_SAMPLE = datetime(2024, 12, 31, 14, 30)


def check_format(text_format: str, place: str) -> None:
    """Refuse a date format that cannot be read.

    Raises
    ------
    MappingError
        A letter of the format is unknown, or the format has no day.
    """
    try:
        pl.Series([_SAMPLE]).dt.strftime(_OFFSET_PARTS.sub("", text_format))
        pl.Series(["?"]).str.to_datetime(text_format, strict=False)
    except (pl.exceptions.PolarsError, ValueError):
        _refuse_format(text_format, place)
    if not re.search(r"%[-_]?[dejDFcs]", text_format):
        _refuse_format(text_format, place)


def _refuse_format(text_format: str, place: str) -> None:
    raise MappingError(
        f"{place}: {text_format!r} is no date format.",
        mend="Write it with % letters, like %d/%m/%Y or %Y-%m-%d %H:%M.",
    )


def check_time_zone(zone: str, place: str) -> None:
    """Refuse a time zone nobody knows.

    Raises
    ------
    MappingError
        It is neither an IANA name nor a fixed offset.
    """
    if zone == "UTC" or _FIXED.fullmatch(zone):
        return
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise MappingError(
            f"{place}: there is no time zone {zone!r}.",
            mend="Write an IANA name like America/Toronto, or a fixed offset like UTC-05:00.",
        ) from None


def has_offset(text_format: str) -> bool:
    """Whether the format carries the offset from UTC."""
    return bool(_OFFSET_PARTS.search(text_format))


def example(text_format: str) -> str:
    """Show how a moment looks in the format, for messages."""
    shown = _OFFSET_PARTS.sub("+00:00", text_format)
    return str(pl.Series([_SAMPLE]).dt.strftime(shown)[0])


def day(text: pl.Expr, text_format: str, zone: str | None) -> pl.Expr:
    """Read dates; of moments with an offset, the calendar day in ``zone``."""
    if has_offset(text_format):
        moment = text.str.to_datetime(text_format, time_unit="us", time_zone="UTC", strict=False)
        return _in_zone(moment, zone or "UTC").dt.date()
    if _TIME_PARTS.search(text_format):
        return text.str.to_datetime(text_format, time_unit="us", strict=False).dt.date()
    return text.str.to_date(text_format, strict=False)


def _in_zone(moment: pl.Expr, zone: str) -> pl.Expr:
    minutes = _fixed_minutes(zone)
    if minutes is None:
        return moment.dt.convert_time_zone(zone)
    return moment + pl.duration(minutes=minutes)


def _fixed_minutes(zone: str) -> int | None:
    if zone == "UTC":
        return 0
    found = _FIXED.fullmatch(zone)
    if not found:
        return None
    return int(found[1] + "1") * (int(found[2]) * 60 + int(found[3]))


def moment_utc(text: pl.Expr, text_format: str, zone: str | None, repeated_hour: str) -> pl.Expr:
    """Read moments to UTC; naive ones are clock times of ``zone``."""
    if has_offset(text_format):
        return text.str.to_datetime(text_format, time_unit="us", time_zone="UTC", strict=False)
    if _TIME_PARTS.search(text_format):
        local = text.str.to_datetime(text_format, time_unit="us", strict=False)
    else:
        local = text.str.to_date(text_format, strict=False).cast(pl.Datetime("us"))
    minutes = _fixed_minutes(zone or "UTC")
    if minutes is not None:
        return (local - pl.duration(minutes=minutes)).dt.replace_time_zone("UTC")
    return local.dt.replace_time_zone(
        zone, ambiguous=pl.lit(REPEATED_HOUR[repeated_hour]), non_existent="null"
    ).dt.convert_time_zone("UTC")
