"""Weather and loggers: degree-days, sensor days and hours, condensation, brood onset."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.physics.moist_air import dew_point
from pipeline.settings import Settings
from pipeline.stages import degree_days as cold
from pipeline.stages import sensor_features as features
from pipeline.stages.sensor_days import sensor_days
from pipeline.stages.sensor_hours import sensor_hours
from pipeline.stages.station_days import station_days
from tests.stage_frames import derived, hive, record, records, stored_readings, yard


def in_zone(time_zone):
    plain = Settings()
    return replace(plain, study=replace(plain.study, time_zone=time_zone))


def reading(at, position, temperature_c=None, humidity_pct=None, weight_kg=None):
    return {
        "colony_id": "a",
        "logged_at": at,
        "position": position,
        "temperature_c": temperature_c,
        "humidity_pct": humidity_pct,
        "weight_kg": weight_kg,
    }


def days_from(first, values, column="temperature_mean_c"):
    start = date.fromisoformat(first)
    return [
        {"station_id": "station", "observed_on": start + timedelta(days=n), column: value}
        for n, value in enumerate(values)
    ]


def pool(settings=None, **rows):
    base = {
        "apiaries": [yard()],
        "colonies": [hive("a")],
        "set_ups": [{"colony_id": "a", "winter": 2023}],
    }
    return derived(records(base | rows), settings)[0]


def weighings(*days):
    return [
        {"colony_id": "a", "weighed_on": day, "gross_kg": 40.0, "method": "scale"} for day in days
    ]


def test_degree_days_of_the_units_own_window():
    tables = pool(
        weighings=weighings("2023-11-01", "2023-12-11"),
        weather_daily=days_from("2023-10-31", [-90.0, *[0.0] * 38, -5.0, -2.0, -90.0]),
    )
    row = tables["degree_days"].row(0, named=True)
    assert (row["window_basis"], row["from_on"]) == ("between weighings", date(2023, 11, 1))
    assert (row["window_days"], row["weather_coverage"], row["is_partial"]) == (40, 1.0, False)
    assert row["degree_days_kd"] == pytest.approx(38 * 10 + 15 + 12)
    assert row["cold_kd_per_day"] == pytest.approx(407 / 40)


def test_the_winters_cold_is_the_same_whatever_became_of_the_colony():
    until_christmas = [0.0] * 85  # from 1 October; a mild rest of the winter follows
    tables = pool(
        weighings=weighings("2023-10-15", "2023-12-20"),
        weather_daily=days_from("2023-10-01", [*until_christmas, *[5.0] * 143]),
    )
    row = tables["degree_days"].row(0, named=True)
    assert row["cold_kd_per_day"] == pytest.approx(10.0)
    assert row["winter_cold_kd_per_day"] == pytest.approx((85 * 10 + 143 * 5) / 228)
    unit = tables["colony_winters"].row(0, named=True)
    assert unit["cold_kd_per_day"] == row["winter_cold_kd_per_day"]
    assert unit["window_cold_kd_per_day"] == row["cold_kd_per_day"]


def test_partial_coverage_is_flagged_and_not_scaled_up():
    temperatures = [0.0] * 37 + [None] * 3
    tables = pool(
        weighings=weighings("2023-11-01", "2023-12-11"),
        weather_daily=days_from("2023-11-01", temperatures),
    )
    row = tables["degree_days"].row(0, named=True)
    assert (row["is_partial"], row["degree_days_kd"]) == (True, 370.0)
    assert row["cold_kd_per_day"] == pytest.approx(10.0)


def test_height_moves_station_temperatures():
    tables = pool(
        apiaries=[yard(elevation_m=500.0)],
        weather_stations=[{"station_id": "station", "elevation_m": 300.0}],
        weighings=weighings("2023-11-01", "2023-12-11"),
        weather_daily=days_from("2023-11-01", [0.0] * 40),
    )
    row = tables["degree_days"].row(0, named=True)
    assert row["elevation_correction_k"] == pytest.approx(-1.3)
    assert row["cold_kd_per_day"] == pytest.approx(11.3)


def test_colonies_that_share_place_and_window_meet_the_cold_of_one_alone(monkeypatch):
    begun = {"a": "2023-11-01", "b": "2023-11-01", "c": "2023-11-08", "d": "2023-11-08"}
    apiary = {"a": "yard", "b": "yard", "c": "yard", "d": "hill"}

    def derived_for(*colonies):
        return pool(
            apiaries=[yard(elevation_m=300.0), yard(apiary_id="hill", elevation_m=900.0)],
            weather_stations=[{"station_id": "station", "elevation_m": 300.0}],
            colonies=[hive(name, apiary_id=apiary[name]) for name in colonies],
            set_ups=[{"colony_id": name, "winter": 2023} for name in colonies],
            weighings=[
                weighing | {"colony_id": name}
                for name in colonies
                for weighing in weighings(begun[name], "2023-12-11")
            ],
            weather_daily=days_from("2023-10-01", [n % 11 - 4.3 for n in range(228)]),
        )["degree_days"]

    together = derived_for(*begun)
    alone = pl.concat(derived_for(name) for name in begun)
    assert_frame_equal(together, alone, check_exact=True)
    a, b, c, d = together["degree_days_kd"]
    assert a == b != c
    assert d > c  # as many days, 600 m higher
    monkeypatch.setattr(cold, "WINDOWS_AT_ONCE", 1)
    assert_frame_equal(derived_for(*begun), together, check_exact=True)


def test_no_station_and_no_weather_are_reasons():
    assert pool(apiaries=[yard(station_id=None)])["degree_days"]["weather_reason"].to_list() == [
        cold.NO_STATION
    ]
    row = pool()["degree_days"].row(0, named=True)
    assert (row["weather_reason"], row["weather_coverage"]) == (cold.NO_WEATHER, 0.0)


def test_a_day_needs_18_hours_of_the_studys_clock():
    def hours(first, count):
        start = datetime.fromisoformat(first).astimezone(UTC)
        return [
            {
                "station_id": "s",
                "observed_at": start + timedelta(hours=n),
                "temperature_c": float(n),
            }
            for n in range(count)
        ]

    hourly = record(
        "weather_hourly", hours("2024-01-01T00:00-05:00", 18) + hours("2024-01-02T00:00-05:00", 17)
    )
    days = station_days(record("weather_daily", []), hourly, in_zone("America/Toronto"))
    assert days.select("observed_on", "temperature_mean_c", "basis", "hours").rows() == [
        (date(2024, 1, 1), 8.5, "hours", 18),
        (date(2024, 1, 2), None, None, 17),
    ]
    assert days["weather_reason"].to_list() == [None, "fewer than 18 hours of temperature"]


def test_recorded_mean_goes_before_extremes():
    daily = record(
        "weather_daily",
        [
            {
                "station_id": "s",
                "observed_on": "2024-01-01",
                "temperature_mean_c": -3.0,
                "temperature_max_c": 2.0,
                "temperature_min_c": -6.0,
            },
            {
                "station_id": "s",
                "observed_on": "2024-01-02",
                "temperature_max_c": 2.0,
                "temperature_min_c": -6.0,
            },
            {"station_id": "s", "observed_on": "2024-01-03", "temperature_max_c": 2.0},
        ],
    )
    days = station_days(daily, record("weather_hourly", []), Settings())
    assert days["temperature_mean_c"].to_list() == [-3.0, -2.0, None]
    assert days["basis"].to_list() == ["recorded mean", "extremes", None]


def test_sensor_days_are_days_of_the_studys_clock():
    readings = record(
        "sensor_readings",
        [
            reading("2024-01-01T03:20:00+00:00", "brood nest", 10.0, 60.0),
            reading("2024-01-01T03:40:00+00:00", "brood nest", 14.0, 70.0),  # next day, -03:30
            reading("2024-01-01T04:00:00+00:00", "brood nest", 18.0),
            reading("2024-01-01T05:00:00+00:00", "brood nest", None, None, 31.5),
            reading("2024-01-01T05:00:00+00:00", "floor", 4.0),
        ],
    )
    days = sensor_days(stored_readings(readings), in_zone("America/St_Johns"))
    columns = [
        "observed_on",
        "position",
        "readings",
        "hours_covered",
        "temperature_mean_c",
        "temperature_range_k",
        "humidity_mean_pct",
        "weight_mean_kg",
    ]
    assert days.select(columns).rows() == [
        (date(2023, 12, 31), "brood nest", 1, 1, 10.0, 0.0, 60.0, None),
        (date(2024, 1, 1), "brood nest", 3, 1, 16.0, 4.0, 70.0, 31.5),
        (date(2024, 1, 1), "floor", 1, 1, 4.0, 0.0, None, None),
    ]


def test_sensor_hours_prefer_air_under_the_cover():
    readings = record(
        "sensor_readings",
        [
            reading("2024-01-01T10:05:00+00:00", "under cover", 12.0, 70.0),
            reading("2024-01-01T10:35:00+00:00", "under cover", 14.0, 80.0),
            reading("2024-01-01T10:35:00+00:00", "above cluster", 20.0, 50.0),
            reading("2024-01-01T10:40:00+00:00", "outside", -4.0),
            reading("2024-01-01T11:05:00+00:00", "under cover", 12.0),  # no humidity
            reading("2024-01-01T11:05:00+00:00", "above cluster", 20.0, 50.0),
            reading("2024-01-01T12:05:00+00:00", "outside", -4.0),
            reading("2024-07-01T12:05:00+00:00", "under cover", 30.0, 50.0),  # summer
        ],
    )
    hours = sensor_hours(stored_readings(readings), Settings())
    assert hours.drop("hour_at").rows() == [
        ("a", 2023, 13.0, 75.0, -4.0),
        ("a", 2023, 20.0, 50.0, None),
    ]


def test_condensation_hours_by_hand():
    # 22 mm softwood walls: R 0.339 with films, so the wall's face is 38 % of the way out.
    air = dew_point(15.0, 80.0)  # about 11.6 °C
    board = 0.022 / 0.13
    face_at = [15 - (15 - out) * 0.13 / (board + 0.17) for out in (-10.0, 8.0)]
    assert face_at[0] < air < face_at[1]
    tables = pool(
        sensor_readings=[
            reading("2024-01-01T10:05:00+00:00", "under cover", 15.0, 80.0),
            reading("2024-01-01T10:15:00+00:00", "outside", -10.0),
            reading("2024-01-01T11:05:00+00:00", "under cover", 15.0, 80.0),
            reading("2024-01-01T12:05:00+00:00", "under cover", 15.0, 80.0),
            reading("2024-01-03T12:05:00+00:00", "under cover", 15.0, 80.0),
        ],
        weather_hourly=[
            {
                "station_id": "station",
                "observed_at": "2024-01-01T11:00:00+00:00",
                "temperature_c": 8.0,
            }
        ],
        weather_daily=days_from("2024-01-01", [-10.0]),
    )
    row = tables["sensor_features"].row(0, named=True)
    # 10 h: own sensor, wet; 11 h: station's hour, dry; 12 h: station's day, wet; the 3rd: unknown
    assert (row["condensation_risk_h"], row["condensation_measured_h"]) == (2.0, 3)
    assert row["condensation_daily_outside_h"] == 1
    assert row["condensation_reason"] is None
    assert tables["colony_winters"]["condensation_risk_h"].to_list() == [2.0]
    assert tables["colony_winters"]["condensation_measured_h"].to_list() == [3]


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ({}, features.NO_READINGS),
        (
            {"sensor_readings": [reading("2024-01-01T10:00:00+00:00", "floor", 3.0)]},
            features.NO_HIVE_AIR,
        ),
        (
            {
                "sensor_readings": [reading("2024-01-01T10:00:00+00:00", "under cover", 9.0, 80.0)],
                "colonies": [hive("a", wall_material=None)],
            },
            features.NO_ENVELOPE,
        ),
        (
            {"sensor_readings": [reading("2024-01-01T10:00:00+00:00", "under cover", 9.0, 80.0)]},
            features.NO_OUTSIDE,
        ),
    ],
)
def test_reasons_for_no_condensation_risk(rows, reason):
    row = pool(**rows)["sensor_features"].row(0, named=True)
    assert (row["condensation_risk_h"], row["condensation_reason"]) == (None, reason)


def nest(first, daily):
    """Two readings a day, at the mean less and plus one kelvin; None is a day without readings."""
    start = datetime.fromisoformat(first).replace(tzinfo=UTC)
    return [
        reading(start + timedelta(days=n, hours=12 * half), "brood nest", mean - 1 + 2 * half)
        for n, mean in enumerate(daily)
        if mean is not None
        for half in (0, 1)
    ]


@pytest.mark.parametrize(
    ("daily", "onset", "reason"),
    [
        ([20, 20, 33, 20, 20, 20, 20, *[34] * 9], date(2024, 1, 8), None),
        ([20, 20, 33, 20, 33, 33, 33, 33, *[20] * 5], date(2024, 1, 3), None),
        ([20, 20, 33, None, 33, None, 33, 33, 33], date(2024, 1, 3), None),
        ([20, 20, 33, 33, 33, 33, *[20] * 9], None, features.NO_ONSET),
        ([34] * 20, None, features.ALREADY_BROOD),
    ],
)
def test_brood_onset(daily, onset, reason):
    row = pool(sensor_readings=nest("2024-01-01T06:00", daily))["sensor_features"].row(
        0, named=True
    )
    assert (row["brood_onset_on"], row["brood_onset_reason"]) == (onset, reason)
    assert row["sensor_days"] == sum(mean is not None for mean in daily)


def test_brood_before_midwinter_is_no_onset():
    readings = nest("2023-11-01T06:00", [34] * 20)
    row = pool(sensor_readings=readings)["sensor_features"].row(0, named=True)
    assert row["brood_onset_reason"] == features.NO_BROOD_SENSOR


def test_warm_but_unsteady_days_are_no_brood():
    readings = [
        reading(f"2024-01-{day:02d}T{hour:02d}:00:00+00:00", "brood nest", 33.0 + swing)
        for day in range(1, 15)
        for hour, swing in ((6, -2.0), (18, 2.0))
    ]
    row = pool(sensor_readings=readings)["sensor_features"].row(0, named=True)
    assert row["brood_onset_reason"] == features.NO_ONSET


def test_in_hive_mean_is_of_positions_above_the_cluster():
    readings = [
        reading("2024-01-01T10:00:00+00:00", "under cover", 10.0),
        reading("2024-01-01T10:00:00+00:00", "above cluster", 20.0),
        reading("2024-01-01T10:00:00+00:00", "brood nest", 35.0),
        reading("2024-01-02T10:00:00+00:00", "under cover", 12.0),
        reading("2024-01-03T10:00:00+00:00", "outside", -9.0),
    ]
    row = pool(sensor_readings=readings)["sensor_features"].select(
        pl.col("sensor_days", "in_hive_temperature_mean_c")
    )
    assert row.rows() == [(2, 13.5)]
