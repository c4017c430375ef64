"""Weighing windows and the stores ledger, by hand-worked numbers."""

import math
from datetime import date

import polars as pl
import pytest

from pipeline.physics.feed import CONVERSION_RELATIVE_SD
from pipeline.stages import weighing_windows as windows
from tests.stage_frames import derived, hive, records, yard


def weighed(on, kg, method="scale", **parts):
    return {"colony_id": "a", "weighed_on": on, "gross_kg": kg, "method": method} | parts


def fed(on, feed, kg):
    return {"colony_id": "a", "fed_on": on, "feed": feed, "mass_kg": kg}


def counted(on, bees, brood=0.0, colony="a"):
    return {
        "colony_id": colony,
        "inspected_on": on,
        "frames_of_bees": bees,
        "frames_of_brood": brood,
        "method": "each comb",
    }


def pool(**rows):
    base = {
        "apiaries": [yard()],
        "colonies": [hive("a")],
        "set_ups": [{"colony_id": "a", "winter": 2023}],
    }
    return derived(records(base | rows))[0]


def row(table, colony="a"):
    return table.filter(pl.col("colony_id") == colony).row(0, named=True)


def test_the_weighing_nearest_the_reference_day_is_taken():
    weighings = [
        weighed("2023-09-14", 60.0),  # before the autumn window
        weighed("2023-09-20", 50.0),
        weighed("2023-10-12", 45.0),
        weighed("2023-10-18", 44.0),  # as near; the earlier counts
        weighed("2024-02-01", 36.0),
        weighed("2024-04-05", 30.0),
        weighed("2024-05-16", 40.0),  # after the spring window
    ]
    window = row(pool(weighings=weighings)["weighing_windows"])
    assert (window["autumn_weighed_on"], window["autumn_gross_kg"]) == (date(2023, 10, 12), 45.0)
    assert (window["spring_weighed_on"], window["spring_gross_kg"]) == (date(2024, 4, 5), 30.0)
    assert window["window_days"] == 176.0


def test_the_window_of_a_dead_colony_ends_while_it_lived():
    weighings = [
        weighed("2023-10-15", 45.0),
        weighed("2024-01-20", 38.0),
        weighed("2024-03-01", 35),
    ]
    dead = {"colony_id": "a", "winter": 2023, "checked_on": "2024-03-01", "state": "dead"}
    tables = pool(weighings=weighings, winter_outcomes=[dead])
    assert row(tables["weighing_windows"])["spring_weighed_on"] == date(2024, 1, 20)
    unit = row(tables["colony_winters"])
    assert unit["stores_use_kg"] == pytest.approx(7.0)
    assert (unit["is_alive"], unit["spring_strength_reason"]) == (False, "did not survive")


@pytest.mark.parametrize(
    ("weighings", "reason"),
    [
        ([], windows.NO_AUTUMN),
        ([weighed("2024-04-05", 30.0)], windows.NO_AUTUMN),
        ([weighed("2023-10-15", 45.0)], windows.NO_SPRING),
        ([weighed("2023-11-28", 45.0), weighed("2023-12-05", 44.0)], windows.TOO_SHORT),
    ],
)
def test_reasons_for_no_stores_use(weighings, reason):
    ledger = row(pool(weighings=weighings)["stores_ledger"])
    assert (ledger["stores_use_kg"], ledger["stores_reason"]) == (None, reason)


def test_every_line_of_the_ledger():
    tables = pool(
        weighings=[
            weighed("2023-10-15", 40.0, parts_added_kg=9.0),  # before the window
            weighed("2023-12-20", 42.0, parts_added_kg=4.0),
            weighed("2024-04-10", 33.0, "luggage scale", parts_removed_kg=1.0),
        ],
        feedings=[
            fed("2023-10-14", "dry sugar", 5.0),  # before the window
            fed("2023-10-15", "syrup 2:1", 4.0),  # 4 * 2/3 * 0.9 / 0.8 = 3.0
            fed("2024-01-10", "fondant", 1.0),  # 0.9 * 0.9 / 0.8 = 1.0125
            fed("2024-02-10", "honey frame", 2.0),
            fed("2024-04-10", "dry sugar", 5.0),  # on the last day: after the weighing
        ],
        strength_inspections=[counted("2023-10-05", 8.0), counted("2024-04-15", 6.0, 2.0)],
    )
    ledger = row(tables["stores_ledger"])
    assert ledger["feed_kg"] == pytest.approx(6.0125)
    assert ledger["feedings_used"] == 3
    assert ledger["feed_sd_kg"] == pytest.approx(4.0125 * CONVERSION_RELATIVE_SD)
    assert (ledger["parts_added_kg"], ledger["parts_removed_kg"]) == (4.0, 1.0)
    assert ledger["parts_sd_kg"] == pytest.approx(0.1 * 17**0.5)
    # eight frames of bees at 0.288 kg in autumn; six, and two of brood at 0.45 kg, in spring, who
    # were five days of 1.5 % lighter when the hive was weighed
    then = (6 * 0.288 + 2 * 0.45) * math.exp(-5 * 0.015)
    assert ledger["bee_mass_change_kg"] == pytest.approx(then - 8 * 0.288)
    assert ledger["bee_mass_basis"] == "counted"
    assert ledger["stores_use_kg"] == pytest.approx(40 - 33 + 6.0125 + 4 - 1 + then - 2.304)
    bees_sd2 = sum(((0.1 * f) ** 2 + 0.25**2) * 0.288**2 for f in (8, 6)) + 2 * 0.45**2
    bees_sd2 += (then * 5 * 0.01) ** 2
    assert ledger["bee_mass_sd_kg"] == pytest.approx(bees_sd2**0.5)
    total = 0.5**2 + 1.2**2 + ledger["feed_sd_kg"] ** 2 + 0.01 * 17 + bees_sd2
    assert ledger["stores_method_sd_kg"] == pytest.approx(total**0.5)


@pytest.mark.parametrize(
    ("weighed_on", "counted_on", "days"),
    [
        ("2024-04-10", "2024-04-20", 10),
        ("2024-04-10", "2024-04-02", -8),
        ("2024-02-20", "2024-03-18", 17),  # nothing grows before March
    ],
)
def test_a_spring_count_is_brought_to_the_day_of_the_weighing(weighed_on, counted_on, days):
    tables = pool(
        weighings=[weighed("2023-10-15", 40.0), weighed(weighed_on, 33.0)],
        strength_inspections=[counted("2023-10-05", 8.0), counted(counted_on, 6.0)],
    )
    then = 6 * 0.288 * math.exp(-0.015 * days)
    ledger = row(tables["stores_ledger"])
    assert ledger["bee_mass_change_kg"] == pytest.approx(then - 8 * 0.288)


def test_nothing_but_insulation_added_is_not_eaten():
    weighings = [weighed("2023-10-15", 40.0), weighed("2024-04-10", 45.0, parts_added_kg=5.0)]
    assert row(pool(weighings=weighings)["stores_ledger"])["stores_use_kg"] == pytest.approx(0.0)


def test_the_pools_median_stands_in_for_colonies_not_counted():
    names = list("abcdef")
    rows = {
        "colonies": [hive(name) for name in names],
        "set_ups": [{"colony_id": name, "winter": 2023} for name in names],
        "weighings": [
            weighed(on, kg) | {"colony_id": name}
            for name in names
            for on, kg in (("2023-10-15", 40.0), ("2024-04-10", 30.0))
        ],
        "strength_inspections": [
            counted(on, frames, colony=name)
            for n, name in enumerate("bcdef")
            for on, frames in (("2023-10-01", 8.0), ("2024-04-10", 8.0 - n))
        ],
    }
    ledger = pool(**rows)["stores_ledger"]
    assert row(ledger)["bee_mass_basis"] == "pool median"
    assert row(ledger)["bee_mass_change_kg"] == pytest.approx(-2 * 0.288)
    assert row(ledger)["stores_use_kg"] == pytest.approx(10 - 2 * 0.288)
    assert row(ledger, "f")["bee_mass_basis"] == "counted"


def test_a_count_far_from_the_weighing_does_not_stand_for_it():
    tables = pool(
        weighings=[weighed("2023-10-15", 40.0), weighed("2024-01-10", 36.0)],
        strength_inspections=[counted("2023-10-05", 8.0), counted("2024-04-15", 6.0)],
    )
    ledger = row(tables["stores_ledger"])
    assert ledger["bee_mass_basis"] == "taken as unchanged"
    assert ledger["bee_mass_sd_kg"] == 1.0


def test_strength_is_the_count_nearest_the_reference_day():
    tables = pool(
        strength_inspections=[
            counted("2023-09-01", 9.0),
            counted("2023-10-04", 8.0, 1.0),
            counted("2024-04-10", 5.0),
            counted("2024-04-22", 0.0),  # no bees is a dead colony, not a strength
        ]
    )
    strength = row(tables["strengths"])
    assert (strength["autumn_strength_frames"], strength["autumn_brood_frames"]) == (8.0, 1.0)
    assert strength["autumn_strength_sd_frames"] == pytest.approx((0.8**2 + 0.25**2) ** 0.5)
    assert strength["spring_strength_frames"] == 5.0
    unit = row(tables["colony_winters"])
    assert (unit["is_alive"], unit["spring_strength_frames"]) == (False, None)
