"""Mapped numbers: units, decimal marks, sums, and what is no number."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent

import pytest

from pipeline.errors import MappingError
from tests.mapped import (
    MITES,
    apply,
    hive,
    readings,
    told,
    weighings,
)


@pytest.mark.parametrize(
    ("unit", "written", "kg"),
    [
        ("lb", "100", 45.359237),
        ("pounds", "100.0", 45.359237),
        ("oz", "1600", 45.359237),
        ("g", "31250", 31.25),
        ("stone", "5", 31.7514659),
        ("lb oz", "68 lb 14 oz", 31.24117448375),
        ("lb oz", "68-14", 31.24117448375),
    ],
)
def test_weights_are_converted_exactly(tmp_path: Path, unit: str, written: str, kg: float) -> None:
    """Factors of the international yard and pound agreement of 1959 (from memory)."""
    (checked,) = apply(
        tmp_path, weighings(weight=f'{{from = "Weight", unit = "{unit}"}}'), [hive(Weight=written)]
    )
    assert checked.accepted["gross_kg"].to_list() == [pytest.approx(kg, rel=1e-15)]


@pytest.mark.parametrize("written", ["31 kg", "1,000", "12.5.1", "nan", "inf", "1e2", "=31", "x"])
def test_text_that_is_no_number_is_rejected_not_emptied(tmp_path: Path, written: str) -> None:
    for unit in ('"Weight"', '{from = "Weight", unit = "lb"}'):
        (checked,) = apply(tmp_path, weighings(weight=unit), [hive(Weight=written)])
        assert told(checked) == [(2, "gross_kg", written, "type")]


def test_decimal_commas_are_read_where_the_table_has_them(tmp_path: Path) -> None:
    rows = [hive(Weight="31,5"), hive(Weight="31.5"), hive(Weight="1.031,5")]
    (checked,) = apply(tmp_path, weighings(), rows, decimal=",")
    assert checked.accepted["gross_kg"].to_list() == [31.5]
    assert [row for row, *_ in told(checked)] == [3, 4]
    assert checked.rejected["mend"][0] == "Write Weight as a plain number, like 12,5."


def test_fahrenheit_is_exact_and_read_as_celsius_is_caught_by_the_range(tmp_path: Path) -> None:
    """Brood nests are kept near 35 °C, that is 95 °F (facts: 34 to 36 °C)."""
    moment = 'from = "At", format = "%Y-%m-%d %H:%M", time_zone = "UTC"'
    rows: list[dict[str, str | None]] = [
        {"At": f"2024-06-01 0{i}:00", "T": t} for i, t in enumerate(["93.2", "95", "96.8"])
    ]
    (right,) = apply(tmp_path, readings(moment), rows)
    assert right.accepted["temperature_c"].to_list() == [34.0, 35.0, 36.0]
    (wrong,) = apply(tmp_path, readings(moment, '{from = "T", unit = "°C"}'), rows)
    assert wrong.accepted.height == 0
    assert set(wrong.rejected["rule"]) == {"maximum"}
    assert "check the value and its unit" in wrong.rejected["mend"][0]


@pytest.mark.parametrize(
    ("unit", "bees", "written", "mites"),
    [
        ("mites per 300 bees", "{constant = 300}", "9", 9),
        ("per 100 bees", '"Bees"', "4.3", 13),  # 12.9 in 300 bees: a rounded figure
        ("per 100 bees", '"Bees"', "4.17", None),  # 12.51: no whole number of mites
        ("per 100 bees", '"Bees"', "few", None),
    ],
)
def test_mites_per_so_many_bees_become_counts_beside_a_sample_size(
    tmp_path: Path, unit: str, bees: str, written: str, mites: int | None
) -> None:
    columns = f'bees_sampled = {bees}\nmites_counted = {{from = "M", unit = "{unit}"}}'
    row = hive(How="wash", M=written)
    (checked,) = apply(
        tmp_path,
        dedent(MITES).format(columns=columns),
        [row | {"Bees": "300"} if "Bees" in bees else row],
    )
    assert checked.accepted["mites_counted"].to_list() == ([] if mites is None else [mites])


def test_mites_per_hundred_bees_without_a_sample_size_are_refused(tmp_path: Path) -> None:
    columns = 'mites_counted = {from = "M", unit = "mites per 100 bees"}'
    with pytest.raises(MappingError, match="without the number of bees"):
        apply(tmp_path, dedent(MITES).format(columns=columns), [hive(How="wash", M="3")])
    # Counts alone: the contract refuses a wash without its sample.
    (checked,) = apply(
        tmp_path, dedent(MITES).format(columns='mites_counted = "M"'), [hive(How="wash", M="3")]
    )
    assert [(c, r) for _, c, _, r in told(checked)] == [("bees_sampled", "required_when")]


STRENGTH = """
    [[table]]
    files = "log.csv"
    missing = ["-"]
    [[table.record]]
    record = "strength_inspections"
    [table.record.columns]
    colony_id = "Hive"
    inspected_on = "Day"
    frames_of_bees = {sum = ["Box 1", "Box 2", "Box 3"]}
"""


def test_columns_are_added_up_and_only_all_empty_is_missing(tmp_path: Path) -> None:
    boxes = [("10", "7.5", None), (None, None, None), ("-", None, "-"), ("8", "x", None)]
    rows = [hive(**dict(zip(["Box 1", "Box 2", "Box 3"], b, strict=True))) for b in boxes]
    (checked,) = apply(tmp_path, STRENGTH, rows)
    assert checked.accepted["frames_of_bees"].to_list() == [17.5, None, None]
    assert told(checked) == [(5, "frames_of_bees", "8 + x", "type")]


def test_inches_may_have_fractions(tmp_path: Path) -> None:
    toml = """
        [[table]]
        files = "log.csv"
        [[table.record]]
        record = "set_up_layers"
        [table.record.columns]
        colony_id = {constant = "A"}
        winter = {constant = 2024}
        surface = {constant = "top"}
        layer_no = "No"
        material = {constant = "cork"}
        thickness_mm = {from = "In", unit = "in"}
    """
    sizes = ["2", "1.5", "3/4", "1 1/2", "1-1/2", "1/0"]
    rows: list[dict[str, str | None]] = [{"No": str(i), "In": s} for i, s in enumerate(sizes, 1)]
    (checked,) = apply(tmp_path, toml, rows)
    thickness_mm = checked.accepted["thickness_mm"].to_list()
    assert thickness_mm == pytest.approx([50.8, 38.1, 19.05, 38.1, 38.1], rel=1e-15)
    assert told(checked) == [(7, "thickness_mm", "1/0", "type")]
