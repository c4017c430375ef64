"""Survival, units and their places."""

from datetime import date

import polars as pl
import pytest

from pipeline.stages import winter_survival as rules
from tests.stage_frames import derived, hive, records, yard

W = 2023  # winter 2023/24: 1 October 2023 to 15 May 2024, spring checks from 15 March


def outcome(state, on, **more):
    return {"colony_id": "a", "winter": W, "checked_on": on, "state": state} | more


def seen(on, bees=None, brood=None, queen=None):
    return {
        "colony_id": "a",
        "inspected_on": on,
        "frames_of_bees": bees,
        "frames_of_brood": brood,
        "queen_status": queen,
    }


def survival(outcomes=(), inspections=(), **more):
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive("a")],
            "set_ups": [{"colony_id": "a", "winter": W}],
            "winter_outcomes": list(outcomes),
            "strength_inspections": list(inspections),
        }
        | more
    )
    tables = derived(frames)[0]
    row = tables["winter_survival"].filter(pl.col("winter") == W)
    return row.row(0, named=True)


CASES = [  # outcome records, inspections, alive, reason
    ([outcome("alive", "2024-04-12")], [], True, None),
    ([outcome("alive", "2024-06-20")], [], True, None),
    ([outcome("alive without laying queen", "2024-04-12")], [], False, None),
    ([outcome("dead", "2024-02-01")], [], False, None),
    ([outcome("dead", "2024-06-01")], [], False, None),
    ([outcome("dead", "2024-06-01")], [seen("2024-04-20", 6, 2)], True, None),
    ([outcome("dead", "2024-05-01")], [seen("2024-04-20", 6, 2)], False, None),
    ([outcome("dead", "2024-02-01")], [seen("2024-04-20", 6, 2)], None, rules.DISAGREE),
    ([outcome("dead", "2023-09-21")], [], None, rules.DEAD_BEFORE),
    (
        [outcome("dead", "2024-04-01", death_found_on="2023-09-30")],
        [],
        None,
        rules.DEAD_BEFORE,
    ),
    ([outcome("lost to disaster", "2024-01-15")], [], None, rules.DISASTER),
    ([outcome("dead", "2024-01-15", likely_cause="disaster")], [], None, rules.DISASTER),
    ([outcome("moved away", "2024-01-15")], [], None, rules.MOVED),
    ([outcome("moved away", "2024-05-01")], [seen("2024-04-20", 6, 2)], True, None),
    ([outcome("moved away", "2023-09-10")], [], None, rules.MOVED_BEFORE),
    ([outcome("alive", "2023-12-05")], [], None, rules.NOT_YET),
    ([outcome("alive", "2023-12-05")], [seen("2024-04-20", 5, 1)], True, None),
    ([outcome("alive", "2024-04-02")], [seen("2024-05-10", 0)], False, None),
    ([], [], None, rules.NO_OUTCOME),
    ([], [seen("2024-04-20", 6, queen="queenright")], True, None),
    ([], [seen("2024-04-20", 6, 2)], True, None),
    ([], [seen("2024-04-20", 6, 2, "drone layer")], False, None),
    ([], [seen("2024-04-20", 3, queen="queenless"), seen("2024-05-10", 4, 2)], True, None),
    ([], [seen("2024-04-20", 6, 2), seen("2024-05-10", 5, queen="not seen")], True, None),
    ([], [seen("2024-04-20", 6)], None, rules.NO_QUEEN_SEEN),
    ([], [seen("2024-04-20", 0)], False, None),
    ([], [seen("2024-06-20", 8, queen="queenright")], True, None),
    ([], [seen("2024-06-20", 8, queen="queenless")], None, rules.LATE_WITHOUT_QUEEN),
    ([], [seen("2024-02-01", 5, queen="queenright")], None, rules.NO_OUTCOME),
    ([], [seen("2024-10-05", 9, 3)], None, rules.NO_OUTCOME),
]


@pytest.fixture(scope="module")
def verdicts():
    """Every case as one colony of one pool."""
    names = [f"{n:02d}" for n in range(len(CASES))]
    rows = {
        "apiaries": [yard()],
        "colonies": [hive(name) for name in names],
        "set_ups": [{"colony_id": name, "winter": W} for name in names],
    }
    for record, place in (("winter_outcomes", 0), ("strength_inspections", 1)):
        rows[record] = [
            row | {"colony_id": name}
            for name, case in zip(names, CASES, strict=True)
            for row in case[place]
        ]
    return derived(records(rows))[0]["winter_survival"].rows(named=True)


@pytest.mark.parametrize("n", range(len(CASES)))
def test_survival_rules(verdicts, n):
    *_, is_alive, reason = CASES[n]
    row = verdicts[n]
    assert (row["is_alive"], row["survival_reason"]) == (is_alive, reason)
    assert row["is_disaster"] == (reason == rules.DISASTER)
    assert row["is_at_risk"] == (reason not in (rules.DEAD_BEFORE, rules.MOVED_BEFORE))


def test_a_weighing_is_no_sign_of_life():
    weighed = {"colony_id": "a", "weighed_on": "2024-04-20", "gross_kg": 30.0, "method": "scale"}
    row = survival(weighings=[weighed])
    assert row["survival_reason"] == rules.NO_OUTCOME


def test_a_colony_first_seen_in_spring_may_be_new():
    row = survival(inspections=[seen("2024-04-20", 6, 2)], set_ups=[])
    assert (row["is_alive"], row["survival_reason"]) == (None, rules.FIRST_SEEN_IN_SPRING)


def test_a_colony_lost_in_an_earlier_winter_is_not_at_risk_again():
    earlier = outcome("dead", "2023-02-01") | {"winter": W - 1}
    row = survival([earlier, outcome("alive", "2024-04-12")])
    assert (row["is_at_risk"], row["survival_reason"]) == (False, rules.LOST_EARLIER)


def test_cause_is_kept_only_for_losses():
    assert (
        survival([outcome("dead", "2024-02-01", likely_cause="mites")])["likely_cause"] == "mites"
    )
    alive = survival([outcome("alive", "2024-04-12", likely_cause="mites")])
    assert alive["likely_cause"] is None


def test_one_apiary_in_winter_2022_nine_wintered_four_lost():
    # Last records of ten hives at an apiary in Montréal (Abdollahi et al. 2024, UrBAN data set,
    # arXiv 2406.03657), as read from its inspections file.
    found = {
        "3629": ("dead", "2022-09-21"),
        "3628": ("dead", "2022-11-29"),
        "3631": ("dead", "2022-11-29"),
        "3690": ("dead", "2023-04-12"),
        "3640": ("dead", "2023-04-27"),
        "3627": ("alive", "2023-04-12"),
        "3692": ("alive", "2023-04-12"),
        "3691": ("alive", "2023-04-12"),
        "3693": ("alive", "2023-04-12"),
        "6": ("alive", "2023-04-12"),
    }
    outcomes = [
        {"colony_id": tag, "winter": 2022, "checked_on": on, "state": state}
        for tag, (state, on) in found.items()
    ]
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive(tag) for tag in found],
            "winter_outcomes": outcomes,
        }
    )
    units = derived(frames)[0]["colony_winters"]
    assert units["is_alive"].drop_nulls().sum() == 5
    assert units["is_alive"].drop_nulls().len() == 9
    reasons = dict(units.group_by("exclusion_reason").len().iter_rows())
    assert reasons == {"no set-up recorded": 9, rules.DEAD_BEFORE: 1}


def test_every_unit_any_record_speaks_of():
    frames = records(
        {
            "apiaries": [yard(), yard(apiary_id="hill", member_id="member B", station_id=None)],
            "colonies": [hive(name) for name in "abcdef"],
            "set_ups": [{"colony_id": "a", "winter": 2023}],
            "weighings": [
                {"colony_id": "b", "weighed_on": "2024-04-10", "gross_kg": 30.0, "method": "scale"}
            ],
            "feedings": [
                {"colony_id": "c", "fed_on": "2023-09-01", "feed": "fondant", "mass_kg": 1.0}
            ],
            "treatments": [
                {"colony_id": "d", "applied_on": "2023-07-10", "active_ingredient": "thymol"}
            ],
            "sensor_readings": [
                {
                    "colony_id": "e",
                    "logged_at": "2022-12-31T23:30:00+00:00",
                    "position": "floor",
                    "temperature_c": 1.0,
                }
            ],
            "stays": [
                {"colony_id": "a", "from_on": "2023-09-30", "apiary_id": "hill"},
                {"colony_id": "a", "from_on": "2023-10-02", "apiary_id": "yard"},
                {"colony_id": "b", "from_on": "2023-10-02", "apiary_id": "hill"},
            ],
        }
    )
    seasons = derived(frames)[0]["colony_seasons"]
    expected = [
        ("a", 2023, "hill", "member B", "set_ups", True),
        ("b", 2023, "yard", "member A", "weighings", False),
        ("c", 2023, "yard", "member A", "feedings", True),
        ("e", 2022, "yard", "member A", "sensor_readings", True),
    ]  # July's treatment of d lies in no winter; nothing speaks of f
    columns = ["colony_id", "winter", "apiary_id", "member_id", "records", "is_known_before_spring"]
    assert seasons.select(columns).rows() == expected
    assert seasons["starts_on"][0] == date(2023, 10, 1)
    assert seasons["ends_on"][0] == date(2024, 5, 15)
