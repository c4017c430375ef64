"""Degree-days of real stations against worked tables and the weather service.

The station files are open data kept beside the repository; without them the tests are skipped.
"""

from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.readers.ghcn import read_by_year, read_dly
from pipeline.readers.tables import ReadOptions
from pipeline.settings import IngestSettings, Settings
from pipeline.stages.degree_days import PARTIAL
from pipeline.stages.station_days import station_days
from tests.stage_frames import derived, hive, record, records, yard

OPEN_DATA = Path(__file__).parents[2].parent / "shared" / "open-data"
needs_open_data = pytest.mark.skipif(
    not OPEN_DATA.is_dir(), reason="the open data are not beside the repository"
)
BASE_65F_C = (65 - 32) / 1.8

# Computed from the same file by an independent script, 2010 to 2019; daily mean (max + min) / 2.
# winter: HDD65 °F July to June, HDD18 °C and HDD10 °C October to March.
CENTRAL_PARK = {
    2010: (4784.3, 2354.7, 1071.6),
    2011: (3773.1, 1788.1, 611.4),
    2012: (4700.6, 2253.1, 945.3),
    2013: (5009.7, 2446.4, 1196.3),
    2014: (5025.6, 2496.7, 1233.6),
    2015: (3818.9, 1765.7, 628.9),
    2016: (4277.9, 2048.7, 808.8),
    2017: (4591.1, 2180.5, 969.8),
    2018: (4662.0, 2278.7, 986.2),
}


def season(start, end, base_c, time_zone="UTC"):
    plain = Settings()
    return replace(
        plain,
        study=replace(plain.study, time_zone=time_zone),
        winter=replace(plain.winter, starts_on=start, ends_on=end, degree_day_base_c=base_c),
    )


def cold(weather, winters, settings):
    """Degree-days of colonies with a set-up and nothing else, so of the whole winter."""
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive("a")],
            "set_ups": [{"colony_id": "a", "winter": winter} for winter in winters],
        }
    )
    table = derived(frames | weather, settings)[0]["degree_days"]
    return table.filter(pl.col("winter").is_in(list(winters)))


def read_station(reader, name):
    """Daily weather of an archive file, at the station that stands for the yard."""
    table = reader(OPEN_DATA / "ghcn-daily" / name, name, ReadOptions(), IngestSettings())
    days = pl.concat(table.batches).select(
        station_id=pl.lit("station"),
        observed_on=pl.col("observed_on").str.to_date(),
        temperature_max_c=pl.col("temperature_max_c").cast(pl.Float64),
        temperature_min_c=pl.col("temperature_min_c").cast(pl.Float64),
    )
    return {"weather_daily": pl.concat([record("weather_daily", []), days], how="diagonal")}


@pytest.fixture(scope="module")
def central_park():
    return read_station(read_dly, "USW00094728_2010-2019.dly")


@pytest.fixture(scope="module")
def minneapolis():
    """A cold station whose file ends on 2015-02-05."""
    return read_station(read_by_year, "USW00014922_2014-01_2015-02_by-year-layout.csv")


@needs_open_data
def test_central_park_nine_seasons(central_park):
    winters = CENTRAL_PARK
    hdd65 = cold(central_park, winters, season("07-01", "06-30", BASE_65F_C))
    hdd18 = cold(central_park, winters, season("10-01", "03-31", 18.0))
    hdd10 = cold(central_park, winters, season("10-01", "03-31", 10.0))
    got = zip(
        (hdd65["degree_days_kd"] * 1.8).to_list(),
        hdd18["degree_days_kd"].to_list(),
        hdd10["degree_days_kd"].to_list(),
        strict=True,
    )
    for winter, values in zip(winters, got, strict=True):
        assert values == pytest.approx(CENTRAL_PARK[winter], abs=0.2), winter
    assert not hdd65["is_partial"].any()


@needs_open_data
def test_central_park_against_the_weather_service(central_park):
    # NWS climate report for Central Park, 24 May 2023: normal HDD65 from 1 July, 1991-2020,
    # 4,522 °F·d. Nine seasons are not thirty, and the service rounds each day, which takes off 43
    # to 64 °F·d a season, so agreement to 3 % is what can be asked.
    seasons = cold(central_park, CENTRAL_PARK, season("07-01", "05-24", BASE_65F_C))
    assert (seasons["degree_days_kd"] * 1.8).mean() == pytest.approx(4522, rel=0.03)


@needs_open_data
def test_a_cut_off_winter_is_flagged_and_not_summed(minneapolis):
    row = cold(minneapolis, [2014], season("10-01", "03-31", 18.0)).row(0, named=True)
    assert (row["days_with_weather"], row["window_days"]) == (128, 182)
    assert row["weather_coverage"] == pytest.approx(128 / 182)
    assert row["is_partial"]
    assert row["degree_days_kd"] is None
    assert row["cold_kd_per_day"] is None
    assert row["weather_reason"] == PARTIAL


@needs_open_data
def test_the_covered_part_of_the_cut_off_winter(minneapolis):
    # 1 October 2014 to 5 February 2015, 128 days: computed from the same file by another script.
    row = cold(minneapolis, [2014], season("10-01", "02-05", 18.0)).row(0, named=True)
    assert row["degree_days_kd"] == pytest.approx(2531.4, abs=0.1)
    assert not row["is_partial"]


@pytest.fixture(scope="module")
def montreal_hours():
    """Hours of local standard time, five hours behind UTC all year."""
    hours = pl.read_csv(
        OPEN_DATA / "montreal-2021-2022" / "weather_2021_2022.csv", infer_schema=False
    ).select(
        station_id=pl.lit("station"),
        observed_at=(pl.col("Date/Time (LST)") + "-0500").str.to_datetime(
            "%Y-%m-%d %H:%M:%S%z", time_zone="UTC", time_unit="us"
        ),
        temperature_c=pl.col("Temp (°C)").cast(pl.Float64),
    )
    return pl.concat([record("weather_hourly", []), hours], how="diagonal")


@needs_open_data
@pytest.mark.parametrize(
    ("base_c", "time_zone", "expected", "within"),
    [
        # Computed from the same file by another script, days of local standard time.
        (10.0, "Etc/GMT+5", 2106.4, 0.1),
        (18.0, "Etc/GMT+5", 3464.3, 0.1),
        # Days of the legal clock begin an hour earlier in summer time: a hair different.
        (10.0, "America/Toronto", 2106.4, 2.0),
    ],
)
def test_montreal_from_hours(montreal_hours, base_c, time_zone, expected, within):
    row = cold(
        {"weather_hourly": montreal_hours}, [2021], season("10-01", "03-31", base_c, time_zone)
    ).row(0, named=True)
    assert row["days_with_weather"] == row["window_days"] == 182
    assert row["degree_days_kd"] == pytest.approx(expected, abs=within)
    assert row["temperature_mean_c"] == pytest.approx(-1.03, abs=0.01)


@needs_open_data
def test_days_of_an_outage_have_no_mean(montreal_hours):
    # The file's outage of 24 to 28 November 2022: three full days without temperature.
    days = station_days(
        record("weather_daily", []), montreal_hours, season("10-01", "03-31", 10, "Etc/GMT+5")
    )
    outage = days.filter(pl.col("observed_on").is_between(date(2022, 11, 24), date(2022, 11, 28)))
    assert len(outage) == 5
    assert outage["temperature_mean_c"].null_count() >= 3
    assert outage["weather_reason"].null_count() == 5 - outage["temperature_mean_c"].null_count()
