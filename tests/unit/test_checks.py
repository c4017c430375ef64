"""Checks: each rule on rows small enough to judge by eye."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.checks import Checked, check_rows
from pipeline.contracts import load_contracts
from pipeline.mapping import ColumnPlan, RecordPlan

TODAY = date(2025, 4, 1)


def check(record: str, *rows: dict[str, str | None], plan: RecordPlan | None = None) -> Checked:
    """Check rows given as text, numbered from 2."""
    frame = pl.DataFrame(rows, schema_overrides=dict.fromkeys(rows[0], pl.String))
    frame = frame.with_columns(pl.int_range(2, 2 + len(rows), dtype=pl.Int64).alias("_row"))
    if plan is None:
        own = tuple(ColumnPlan(c, pl.col(c), None, c) for c in frame.columns if c != "_row")
        plan = RecordPlan(record, own)
    return check_rows(load_contracts()[record], plan, frame, TODAY)


def faults(checked: Checked) -> list[tuple[int, str, str | None, str]]:
    """Row, column, value and rule of each line."""
    return checked.rejected.select("row", "column", "value", "rule").rows()


def weighing(**changes: str | None) -> dict[str, str | None]:
    return {
        "colony_id": "B-1",
        "weighed_on": "2024-10-05",
        "gross_kg": "31.5",
        "method": "scale",
        "parts_added_kg": None,
    } | changes


def mites(**changes: str | None) -> dict[str, str | None]:
    return {
        "colony_id": "B-1",
        "sampled_on": "2024-10-05",
        "method": "alcohol wash",
        "bees_sampled": "310",
        "mites_counted": "43",
        "board_days": None,
    } | changes


def test_a_good_row_is_typed_and_complete() -> None:
    checked = check("weighings", weighing())
    assert checked.rejected.height == 0
    expected = pl.DataFrame(
        {
            "colony_id": ["B-1"],
            "weighed_on": [date(2024, 10, 5)],
            "gross_kg": [31.5],
            "method": ["scale"],
            "parts_added_kg": [None],
            "parts_removed_kg": [None],
            "notes": [None],
            "_row": [2],
        },
        schema={**load_contracts()["weighings"].polars_schema, "_row": pl.Int64},
    )
    assert_frame_equal(checked.accepted, expected)


@pytest.mark.parametrize(
    ("column", "value", "rule", "mend"),
    [
        ("gross_kg", "31,5", "type", "decimal point: 31.5"),
        ("gross_kg", "heavy", "type", "plain number"),
        ("gross_kg", "3e1", "type", "plain number: 30"),
        ("gross_kg", "nan", "type", "plain number"),
        ("gross_kg", "inf", "type", "plain number"),
        ("gross_kg", "31.5 kg", "type", "no unit"),
        ("gross_kg", "-3", "minimum", "from 5.0 to 250.0 kg"),
        ("gross_kg", "315", "maximum", "check the value and its unit"),
        ("gross_kg", None, "required", "Fill in gross_kg: mass of the hive as it stood."),
        ("weighed_on", "05/10/2024", "type", "2024-10-05"),
        ("weighed_on", "2024-02-30", "type", "year-month-day"),
        ("weighed_on", "2025-04-02", "not_after_today", "after today"),
        ("weighed_on", "1024-10-05", "minimum", "1950-01-01"),
        ("method", "luggage scales", "enum", 'Write "luggage scale" if that is meant'),
        ("method", "Scale", "enum", 'Write "scale"'),
        ("method", "by eye", "enum", "scale, luggage scale, frame estimate"),
        ("colony_id", "B<1>", "pattern", "letters, digits, spaces"),
        ("colony_id", "x" * 65, "pattern", "1 to 64"),
        ("colony_id", "B\n1", "pattern", "letters"),
        ("parts_added_kg", "much", "type", "plain number"),
    ],
)
def test_one_broken_cell_is_told_with_its_mend(
    column: str, value: str | None, rule: str, mend: str
) -> None:
    checked = check("weighings", weighing(), weighing(**{column: value}))
    assert checked.accepted["_row"].to_list() == [2]
    assert faults(checked) == [(3, column, value, rule)]
    assert mend in checked.rejected["mend"][0]


def test_a_bad_optional_cell_never_becomes_a_missing_value() -> None:
    checked = check("weighings", weighing(parts_added_kg="2,5"))
    assert checked.accepted.height == 0


def test_every_fault_of_a_row_is_told() -> None:
    checked = check("weighings", weighing(gross_kg="x", method="y", weighed_on="2026-01-01"))
    assert {(column, rule) for _, column, _, rule in faults(checked)} == {
        ("gross_kg", "type"),
        ("method", "enum"),
        ("weighed_on", "not_after_today"),
    }


def test_a_required_column_that_is_absent_fails_every_row() -> None:
    rows = [{k: v for k, v in weighing().items() if k != "gross_kg"}] * 2
    assert faults(check("weighings", *rows)) == [
        (2, "gross_kg", None, "required"),
        (3, "gross_kg", None, "required"),
    ]


def test_defaults_fill_absent_columns_and_empty_cells() -> None:
    assert check("mite_counts", mites()).accepted["sample_no"].to_list() == [1]
    filled = check("mite_counts", mites(sample_no=None), mites(sample_no="2"))
    assert filled.accepted["sample_no"].to_list() == [1, 2]
    assert faults(check("mite_counts", mites(sample_no="two"))) == [(2, "sample_no", "two", "type")]


def test_whole_numbers_must_be_whole() -> None:
    assert faults(check("mite_counts", mites(mites_counted="4.5"))) == [
        (2, "mites_counted", "4.5", "type")
    ]
    checked = check("mite_counts", mites(mites_counted="43.0"))
    assert checked.rejected["mend"].to_list() == ["Write mites_counted as a whole number: 43."]


@pytest.mark.parametrize(
    ("changes", "column", "rule"),
    [
        ({"bees_sampled": None}, "bees_sampled", "required_when"),
        ({"method": "sticky board"}, "board_days", "required_when"),
        ({"mites_counted": "311"}, "mites_counted", "at_most"),
        ({"bees_sampled": "5000"}, "bees_sampled", "maximum"),
    ],
)
def test_mite_counts_must_make_sense(
    changes: dict[str, str | None], column: str, rule: str
) -> None:
    assert [(c, r) for _, c, _, r in faults(check("mite_counts", mites(**changes)))] == [
        (column, rule)
    ]


def test_a_cell_that_cannot_be_read_is_not_told_as_missing_too() -> None:
    assert faults(check("mite_counts", mites(bees_sampled="some"))) == [
        (2, "bees_sampled", "some", "type")
    ]


def test_more_than_the_box_holds_is_refused() -> None:
    row = {"colony_id": "B", "inspected_on": "2024-10-01", "frames_in_hive": "10"}
    checked = check(
        "strength_inspections", row | {"frames_of_bees": "10"}, row | {"frames_of_bees": "10.5"}
    )
    assert faults(checked) == [(3, "frames_of_bees", "10.5", "at_most")]


def test_dates_must_follow_each_other_and_lie_in_their_winter() -> None:
    row = {"colony_id": "B", "winter": "2023", "installed_on": "2023-10-01", "removed_on": None}
    checked = check(
        "set_ups",
        row,
        row | {"removed_on": "2023-09-30"},
        row | {"installed_on": "2024-07-01"},
        row | {"installed_on": "2023-07-01", "removed_on": "2023-07-01"},
        row | {"installed_on": "2023-06-30"},
        row | {"installed_on": "2024-06-30"},
    )
    assert faults(checked) == [
        (3, "removed_on", "2023-09-30", "on_or_after"),
        (4, "installed_on", "2024-07-01", "in_winter"),
        (6, "installed_on", "2023-06-30", "in_winter"),
    ]


def test_a_dose_needs_its_unit() -> None:
    row = {"colony_id": "B", "applied_on": "2024-08-01", "active_ingredient": "oxalic acid"}
    checked = check(
        "treatments",
        row | {"dose": None, "dose_unit": None},
        row | {"dose": "2", "dose_unit": None},
    )
    assert faults(checked) == [(3, "dose_unit", None, "required_with")]


def reading(**changes: str | None) -> dict[str, str | None]:
    return {
        "colony_id": "B",
        "logged_at": "2024-10-05T07:00:00+00:00",
        "position": "floor",
        "temperature_c": "4.5",
        "humidity_pct": None,
    } | changes


def test_moments_are_kept_in_utc() -> None:
    given = ["07:00:00+01:00", "07:00:00Z", "07:00:00-0330", "07:00:00+00:00"]
    checked = check("sensor_readings", *(reading(logged_at=f"2024-10-05T{g}") for g in given))
    assert checked.accepted["logged_at"].to_list() == [
        datetime(2024, 10, 5, 6, tzinfo=UTC),
        datetime(2024, 10, 5, 7, tzinfo=UTC),
        datetime(2024, 10, 5, 10, 30, tzinfo=UTC),
        datetime(2024, 10, 5, 7, tzinfo=UTC),
    ]


@pytest.mark.parametrize(
    "moment",
    [
        "2024-10-05T07:00:00",
        "2024-10-05 07:00:00+00:00",
        "2024-10-05T07:00:00+25:00",
        "2024-10-05T07:00:00 CET",
        "2024-10-05",
        "2024-13-05T07:00:00Z",
    ],
)
def test_a_moment_without_a_usable_offset_is_refused(moment: str) -> None:
    checked = check("sensor_readings", reading(), reading(logged_at=moment))
    assert faults(checked) == [(3, "logged_at", moment, "type")]


def test_a_naive_moment_is_told_to_add_its_offset() -> None:
    checked = check("sensor_readings", reading(logged_at="2024-10-05T07:00:00"))
    assert "Add the offset from UTC to logged_at" in checked.rejected["mend"][0]


def test_today_lasts_until_it_is_over_everywhere() -> None:
    checked = check(
        "sensor_readings",
        reading(logged_at="2025-04-01T23:59:00-12:00"),
        reading(logged_at="2025-04-02T23:59:00-12:00"),
    )
    assert [row for row, *_ in faults(checked)] == [3]


def test_a_reading_must_measure_something_plausible() -> None:
    checked = check(
        "sensor_readings",
        reading(temperature_c=None),
        reading(humidity_pct="100.1"),
        reading(temperature_c="95"),
    )
    assert faults(checked) == [
        (2, "temperature_c, humidity_pct, weight_kg", None, "any_of"),
        (3, "humidity_pct", "100.1", "maximum"),
        (4, "temperature_c", "95", "maximum"),
    ]


def test_booleans_are_read_in_any_case() -> None:
    row = {"colony_id": "B", "introduced_on": "2024-05-01"}
    given = ["Yes", "FALSE", "1", "0", None, "maybe"]
    checked = check("queens", *(row | {"is_marked": value} for value in given))
    assert checked.accepted["is_marked"].to_list() == [True, False, True, False, None]
    assert faults(checked) == [(7, "is_marked", "maybe", "type")]


def test_a_mapped_value_that_could_not_be_read_keeps_its_own_words() -> None:
    text = pl.col("pounds")
    typed = text.cast(pl.Float64, strict=False) * 0.45359237
    plan = RecordPlan(
        "weighings",
        (
            ColumnPlan("colony_id", pl.col("hive"), None, "hive"),
            ColumnPlan("weighed_on", pl.lit("2024-10-05"), None, "day"),
            ColumnPlan("gross_kg", text, typed, "pounds"),
            ColumnPlan(
                "method",
                pl.col("how"),
                pl.col("how").replace_strict({"P": "scale"}, default=None),
                "how",
                rule="unknown code",
                mend="Add the code to the mapping.",
            ),
        ),
        where=pl.col("hive") != "skip",
    )
    checked = check(
        "weighings",
        {"hive": "a", "pounds": "70", "how": "P"},
        {"hive": "b", "pounds": "7O", "how": "P"},
        {"hive": "c", "pounds": "700", "how": "Q"},
        {"hive": "skip", "pounds": None, "how": None},
        plan=plan,
    )
    assert checked.accepted["gross_kg"].to_list() == pytest.approx([31.7514659])
    assert faults(checked) == [
        (3, "gross_kg", "7O", "type"),
        (4, "gross_kg", "700", "maximum"),
        (4, "method", "Q", "unknown code"),
    ]


def test_fahrenheit_read_as_celsius_is_caught_by_the_range() -> None:
    """A brood nest at 95 °F is 35 °C; no hive is 95 °C warm."""
    assert faults(check("sensor_readings", reading(temperature_c="95.0"))) == [
        (2, "temperature_c", "95.0", "maximum")
    ]
