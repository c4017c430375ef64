"""Mapped dates and moments: formats, time zones, clock changes."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.readers import ROW
from tests.mapped import (
    apply,
    hive,
    readings,
    told,
    weighings,
)


@pytest.mark.parametrize(
    ("text_format", "written"),
    [
        ("%d/%m/%Y", "05/10/2024"),
        ("%d/%m/%Y", "5/10/2024"),
        ("%m/%d/%y", "10/05/24"),
        ("%d.%m.%Y", "05.10.2024"),
        ("%d %b %Y", "05 Oct 2024"),
        ("%Y%m%d", "20241005"),
        ("%d/%m/%Y %H:%M", "05/10/2024 23:30"),
    ],
)
def test_dates_are_read_by_their_format(tmp_path: Path, text_format: str, written: str) -> None:
    (checked,) = apply(
        tmp_path,
        weighings(day=f'{{from = "Day", format = "{text_format}"}}'),
        [hive(Day=written, Weight="30"), hive(Day="31/31/2024", Weight="30")],
    )
    assert checked.accepted["weighed_on"].to_list() == [date(2024, 10, 5)]
    assert told(checked) == [(3, "weighed_on", "31/31/2024", "date")]


def test_a_moment_belongs_to_the_calendar_day_of_the_stated_zone(tmp_path: Path) -> None:
    day = '{from = "Day", format = "%Y-%m-%d %H:%M:%S%z", time_zone = "America/Toronto"}'
    (checked,) = apply(
        tmp_path,
        weighings(day=day),
        [hive(Day="2024-10-05 03:59:00+00:00", Weight="30"),
         hive(Day="2024-10-05 04:00:00+00:00", Weight="30")],
    )  # fmt: skip
    assert checked.accepted["weighed_on"].to_list() == [date(2024, 10, 4), date(2024, 10, 5)]


@pytest.mark.parametrize(
    ("zone", "repeated", "expected"),
    [
        ("America/Toronto", "refuse", [None, None, 5]),
        ("America/Toronto", "first", [None, 5, 5]),
        ("America/Toronto", "second", [None, 6, 5]),
        ("UTC-05:00", "refuse", [7, 6, 5]),
        ("UTC+05:30", "refuse", [21, 20, 19]),
        ("UTC", "refuse", [2, 1, 0]),
    ],
)
def test_clock_changes_follow_the_stated_rule(
    tmp_path: Path, zone: str, repeated: str, expected: list[int | None]
) -> None:
    """Toronto skipped 02:00-03:00 on 10 March 2024 and had 01:00-02:00 twice on 3 November."""
    moment = (
        f'from = "At", format = "%Y-%m-%d %H:%M", time_zone = "{zone}", '
        f'repeated_hour = "{repeated}"'
    )
    (checked,) = apply(
        tmp_path,
        readings(moment),
        [
            {"At": "2024-03-10 02:30", "T": "95"},
            {"At": "2024-11-03 01:30", "T": "95"},
            {"At": "2024-01-01 00:30", "T": "95"},
        ],
    )
    hours = dict(checked.accepted.select(ROW, pl.col("logged_at").dt.hour()).iter_rows())
    assert [hours.get(row) for row in (2, 3, 4)] == expected
    assert [row for row, *_ in told(checked)] == [
        row for row, hour in zip((2, 3, 4), expected, strict=True) if hour is None
    ]


def test_date_and_time_columns_are_joined(tmp_path: Path) -> None:
    moment = 'join = ["Date", "Time"], format = "%m/%d/%Y %I:%M %p", time_zone = "UTC-05:00"'
    (checked,) = apply(
        tmp_path,
        readings(moment),
        [{"Date": "01/05/2024", "Time": "01:30 PM", "T": "95"},
         {"Date": "01/05/2024", "Time": None, "T": "95"}],
    )  # fmt: skip
    assert checked.accepted["logged_at"].to_list() == [datetime(2024, 1, 5, 18, 30, tzinfo=UTC)]
    assert told(checked) == [(3, "logged_at", "01/05/2024", "datetime")]
