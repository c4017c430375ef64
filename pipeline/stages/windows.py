"""Winters, their windows, and which dated row a window takes."""

from __future__ import annotations

from dataclasses import astuple
from typing import Final

import polars as pl

from pipeline.settings import WinterSettings

UNIT: Final = ("colony_id", "winter")

# A month-day from here on belongs to the year the winter is named by, an earlier one to the next.
_FIRST_MONTH: Final = 7


def _is_first_year(month_day: str) -> bool:
    return int(month_day[:2]) >= _FIRST_MONTH


def winter_day(month_day: str, winter: pl.Expr) -> pl.Expr:
    """Date of a setting such as "10-01" in a winter.

    Parameters
    ----------
    month_day : str
        Month and day; July to December fall in the winter's first year, January to June in its
        second. A day the month does not have (02-29 in most years) is the month's last.
    winter : pl.Expr
        Year the winter starts.
    """
    month, day = (int(part) for part in month_day.split("-"))
    first = pl.date(winter if _is_first_year(month_day) else winter + 1, month, 1)
    return pl.min_horizontal(first.dt.offset_by(f"{day - 1}d"), first.dt.month_end())


def wintering_year(column: str) -> pl.Expr:
    """Year of the one winter in whose windows a date can lie, counted from July to June."""
    day = pl.col(column)
    return day.dt.year().cast(pl.Int64) - (day.dt.month() < _FIRST_MONTH)


def season_bounds(winter: WinterSettings) -> tuple[str, str]:
    """First and last month-day on which a dated record speaks of a winter.

    The earliest and the latest of all windows in the settings.
    """
    days = [value for value in astuple(winter) if isinstance(value, str)]
    return (
        min(day for day in days if _is_first_year(day)),
        max((day for day in days if not _is_first_year(day)), default="06-30"),
    )


def with_winter(rows: pl.DataFrame, column: str, settings: WinterSettings) -> pl.DataFrame:
    """Add the ``winter`` that a dated row speaks of; null in summer, between two winters."""
    first, last = season_bounds(settings)
    year = pl.col(column).dt.year().cast(pl.Int64)
    return rows.with_columns(
        winter=pl.when(pl.col(column) >= winter_day(first, year))
        .then(year)
        .when(pl.col(column) <= winter_day(last, year - 1))
        .then(year - 1)
    )


def in_window(column: str, start: str, end: str) -> pl.Expr:
    """Whether a date lies in its winter's window, both days included."""
    winter = pl.col("winter")
    return pl.col(column).is_between(winter_day(start, winter), winter_day(end, winter))


def nearest(rows: pl.DataFrame, column: str, reference: str) -> pl.DataFrame:
    """The row of each colony-winter nearest to a reference day; the earlier of two as near."""
    distance = (pl.col(column) - winter_day(reference, pl.col("winter"))).dt.total_days().abs()
    return (
        rows.with_columns(_distance=distance)
        .sort(*UNIT, "_distance", column)
        .unique(UNIT, keep="first", maintain_order=True)
        .drop("_distance")
    )
