"""Daily weather archives and Parquet."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import ReadError
from pipeline.readers import TextTable, read_tables
from pipeline.settings import IngestSettings

OPEN_DATA = Path(__file__).parents[2].parent / "shared" / "open-data" / "ghcn-daily"
DLY = OPEN_DATA / "USW00094728_2010-2019.dly"
BY_YEAR = OPEN_DATA / "USW00014922_2014-01_2015-02_by-year-layout.csv"


def read(
    path: Path,
    limits: IngestSettings = IngestSettings(),  # noqa: B008 - frozen
) -> tuple[TextTable, pl.DataFrame]:
    (table,) = read_tables(path, limits=limits)
    return table, pl.concat(list(table.batches))


def month(element: str, values: dict[int, str], year_month: str = "202001") -> str:
    """One line of the fixed-width layout; days not given are missing."""
    cells = (values.get(day, "-9999   ") for day in range(1, 32))
    return f"XX000000001{year_month}{element}{''.join(cells)}\n"


def test_fixed_width_values_are_scaled_and_flagged_ones_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "x.dly"
    path.write_text(
        month("TMAX", {1: "  -56  0", 2: "  123 X0"})
        + month("TMIN", {1: " -171  0", 2: "   -5  0"})
        + month("SNWD", {1: "  150  0"})
        + month("AWND", {1: "    7  0"})
        + month("WT01", {1: "    1  0", 5: "    1  0"})
    )
    table, rows = read(path)
    assert rows.select("station_id", "observed_on", "_row").rows() == [
        ("XX000000001", "2020-01-01", 1),
        ("XX000000001", "2020-01-02", 2),
    ]
    assert rows["temperature_max_c"].to_list() == ["-5.6", None]
    assert rows["temperature_min_c"].to_list() == ["-17.1", "-0.5"]
    assert rows["temperature_mean_c"].to_list() == [None, None]
    assert rows["snow_depth_mm"].to_list() == ["150", None]
    assert rows["wind_mean_m_s"].to_list() == ["0.7", None]
    (fault,) = table.malformed
    assert (fault.row, fault.column) == (2, "temperature_max_c")
    assert fault.text == "XX000000001 20200102 TMAX   123"
    assert fault.rule == "the archive's quality flag X"


def test_a_day_whose_only_value_is_flagged_keeps_its_row(tmp_path: Path) -> None:
    path = tmp_path / "x.dly"
    path.write_text(month("TMAX", {3: "  123 D0"}))
    table, rows = read(path)
    assert rows.select("observed_on", "temperature_max_c").rows() == [("2020-01-03", None)]
    assert len(table.malformed) == 1


def test_lines_that_are_cut_off_are_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "x.dly"
    path.write_text(month("TMAX", {1: "   44  0"}) + month("TMIN", {1: "    6  0"})[:90])
    table, rows = read(path)
    assert rows["temperature_min_c"].to_list() == [None]
    assert [(m.row, m.column) for m in table.malformed] == [(2, "")]


@pytest.mark.skipif(not DLY.is_file(), reason="the open data are not beside the repository")
def test_central_park_has_all_days_and_the_known_degree_days() -> None:
    """README of the open data: 3,652 days; HDD18 October to March 2013/14 is 2446.4 K·day."""
    table, rows = read(DLY)
    assert rows.height == 3_652
    assert table.malformed == []
    assert rows["temperature_max_c"].null_count() == rows["temperature_min_c"].null_count() == 0
    day = pl.col("observed_on").str.to_date()
    mean = (
        pl.col("temperature_max_c").cast(pl.Float64) + pl.col("temperature_min_c").cast(pl.Float64)
    ) / 2
    season = rows.filter(day.is_between(date(2013, 10, 1), date(2014, 3, 31)))
    assert season.select((18 - mean).clip(0).sum()).item() == pytest.approx(
        2446.4, abs=0.06
    )  # printed to a tenth


@pytest.mark.skipif(not BY_YEAR.is_file(), reason="the open data are not beside the repository")
def test_the_by_year_layout_gives_the_same_kind_of_rows() -> None:
    """README of the open data: 401 days; HDD18 of 2014 is 4672.5 K·day."""
    table, rows = read(BY_YEAR)
    assert rows.height == 401
    assert table.malformed == []
    assert rows["station_id"].unique().to_list() == ["USW00014922"]
    mean = (
        pl.col("temperature_max_c").cast(pl.Float64) + pl.col("temperature_min_c").cast(pl.Float64)
    ) / 2
    year = rows.filter(pl.col("observed_on").str.starts_with("2014"))
    assert year.select((18 - mean).clip(0).sum()).item() == pytest.approx(4672.5, abs=0.06)


def test_the_by_year_layout_as_the_archive_ships_it_has_no_heading(tmp_path: Path) -> None:
    path = tmp_path / "2020.csv"
    path.write_text(
        "XX000000001,20200101,TMAX,-56,,,7,\nXX000000001,20200101,TMIN,-171,,,7,0700\n"
        "XX000000002,20200101,TMAX,30,,I,7,\nXX000000002,20200101\n"
    )
    table, rows = read(path)
    assert rows.select("station_id", "temperature_max_c", "temperature_min_c").rows() == [
        ("XX000000001", "-5.6", "-17.1"),
        ("XX000000002", None, None),
    ]
    assert [(m.row, m.column) for m in table.malformed] == [(3, ""), (2, "temperature_max_c")]


def test_the_by_year_layout_needs_a_station_in_its_name(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text("date,attr,value,a,b,c,d\n20140101,TMAX,-171,,,W,2400\n")
    with pytest.raises(ReadError, match="does not say which station"):
        read(path)


def test_parquet_columns_become_text_without_loss(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    moment = datetime(2024, 1, 5, 6, 30)
    pl.DataFrame(
        {
            "text": [" A1 ", "", None],
            "whole": [300.0, 0.1 + 0.2, None],
            "count": pl.Series([3, -1, None], dtype=pl.Int16),
            "exact": pl.Series([Decimal("1.50"), Decimal("-2.25"), None]),
            "yes": [True, False, None],
            "day": [date(2024, 1, 5), date(2024, 2, 29), None],
            "naive": [moment, moment + timedelta(seconds=1), None],
            "aware": pl.Series([moment, moment, None]).dt.replace_time_zone("America/Toronto"),
            "code": pl.Series(["a", "b", None], dtype=pl.Categorical),
        }
    ).write_parquet(path)
    _, rows = read(path)
    assert rows.rows() == [
        ("A1", "300", "3", "1.50", "true", "2024-01-05", "2024-01-05T06:30:00",
         "2024-01-05T11:30:00+00:00", "a", 2),
        (None, "0.30000000000000004", "-1", "-2.25", "false", "2024-02-29",
         "2024-01-05T06:30:01", "2024-01-05T11:30:00+00:00", "b", 3),
    ]  # fmt: skip
    assert datetime.fromisoformat(rows["aware"][0]) == datetime(2024, 1, 5, 11, 30, tzinfo=UTC)


def test_parquet_columns_that_are_no_cells_are_named(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    pl.DataFrame({"many": [[1, 2]]}).write_parquet(path)
    with pytest.raises(ReadError, match="column 'many' holds List"):
        read(path)


@pytest.mark.parametrize(
    "frame",
    [
        pl.select(n=pl.int_range(150_000)),  # 8 bytes each once unpacked
        pl.select(a=pl.lit("").repeat_by(400_000).explode(), b=1, c=1),
        pl.select(text=pl.lit("x" * 1_000).repeat_by(1_100).explode()),  # stored once
    ],
    ids=["unpacked", "cells", "text"],
)
def test_parquet_that_expands_beyond_the_limit_is_refused(
    tmp_path: Path, frame: pl.DataFrame
) -> None:
    path = tmp_path / "x.parquet"
    frame.write_parquet(path)
    assert path.stat().st_size < 1_000_000
    with pytest.raises(ReadError) as caught:
        read(path, IngestSettings(maximum_expanded_mb=1))
    assert caught.value.problem == "x.parquet expands to more than 1 MB."
    assert "maximum_expanded_mb" in caught.value.mend
    _, rows = read(path, IngestSettings(maximum_expanded_mb=2))
    assert rows.height > 0
