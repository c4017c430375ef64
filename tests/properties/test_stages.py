"""What must hold of the derived tables whatever the records."""

import random
from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.settings import WinterSettings
from pipeline.stages import degree_days, hive_envelopes
from pipeline.stages.windows import wintering_year, with_winter
from tests.stage_frames import derived, hive, records, yard

COLONIES = "abcd"
FIRST = date(2022, 7, 1)
day = st.integers(0, 2 * 365).map(lambda n: FIRST + timedelta(days=n))
colony = st.sampled_from(COLONIES)
winter = st.integers(2022, 2023)
month_day = st.dates(date(2024, 1, 1), date(2024, 12, 31)).map(lambda on: f"{on:%m-%d}")


def row(**columns):
    return st.fixed_dictionaries({"colony_id": colony} | columns)


def rows(strategy, key, most=12):
    return st.lists(
        strategy, max_size=most, unique_by=lambda given: tuple(given[name] for name in key)
    )


@st.composite
def pools(draw):
    """A small pool of four colonies in two winters, with gaps of every kind."""
    bodies = st.sampled_from(["softwood", "expanded polystyrene", "other", None])
    set_ups = draw(rows(row(winter=winter), ("colony_id", "winter"), 6))
    layers = draw(
        rows(
            row(
                winter=winter,
                surface=st.sampled_from(["front", "top", "bottom", "sides"]),
                layer_no=st.integers(1, 2),
                material=st.sampled_from(["extruded polystyrene", "straw", "other", "still air"]),
                thickness_mm=st.floats(1, 400),
            ),
            ("colony_id", "winter", "surface", "layer_no"),
        )
    )
    have = {(s["colony_id"], s["winter"]) for s in set_ups}
    states = ["alive", "alive without laying queen", "dead", "lost to disaster", "moved away"]
    return {
        "apiaries": [yard(), yard(apiary_id="hill", member_id="member B", station_id=None)],
        "colonies": [hive(name, wall_material=draw(bodies)) for name in COLONIES],
        "set_ups": set_ups,
        "set_up_layers": [x for x in layers if (x["colony_id"], x["winter"]) in have],
        "stays": draw(
            rows(row(from_on=day, apiary_id=st.just("hill")), ("colony_id", "from_on"), 3)
        ),
        "winter_outcomes": draw(
            rows(
                row(winter=winter, checked_on=day, state=st.sampled_from(states)),
                ("colony_id", "winter"),
                6,
            )
        ),
        "weighings": draw(
            rows(
                row(
                    weighed_on=day,
                    gross_kg=st.floats(20, 80),
                    method=st.sampled_from(["scale", "frame estimate"]),
                    parts_added_kg=st.one_of(st.none(), st.floats(0, 5)),
                ),
                ("colony_id", "weighed_on"),
            )
        ),
        "feedings": draw(
            rows(
                row(
                    fed_on=day,
                    feed=st.sampled_from(["syrup 2:1", "honey frame"]),
                    mass_kg=st.floats(0, 10),
                ),
                ("colony_id", "fed_on", "feed"),
            )
        ),
        "strength_inspections": draw(
            rows(
                row(
                    inspected_on=day,
                    frames_of_bees=st.one_of(st.none(), st.floats(0, 10)),
                    queen_status=st.sampled_from([None, "queenright", "queenless", "not seen"]),
                ),
                ("colony_id", "inspected_on"),
            )
        ),
        "mite_counts": draw(
            rows(
                row(
                    sampled_on=day,
                    method=st.just("alcohol wash"),
                    sample_no=st.just(1),
                    bees_sampled=st.just(300),
                    mites_counted=st.integers(0, 60),
                ),
                ("colony_id", "sampled_on"),
            )
        ),
        "treatments": draw(
            rows(
                row(applied_on=day, active_ingredient=st.just("thymol")),
                ("colony_id", "applied_on"),
                4,
            )
        ),
        "weather_daily": [
            {
                "station_id": "station",
                "observed_on": FIRST + timedelta(days=n),
                "temperature_mean_c": float(n % 37 - 15),
            }
            for n in range(0, 500)
        ],
    }


few = settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


@few
@given(pools(), st.integers(0, 1000))
def test_row_order_never_changes_a_table(pool, seed):
    shuffled = {name: list(given) for name, given in pool.items()}
    for given_rows in shuffled.values():
        random.Random(seed).shuffle(given_rows)
    before, after = (derived(records(given))[0] for given in (pool, shuffled))
    for name, table in before.items():
        assert_frame_equal(table, after[name], rel_tol=1e-9, abs_tol=1e-9)


@few
@given(pools())
def test_units_are_conserved_and_every_gap_has_a_reason(pool):
    tables, reports = derived(records(pool))
    named = {
        (record["colony_id"], record["winter"])
        for name in ("set_ups", "winter_outcomes")
        for record in pool[name]
    }
    final = tables["colony_winters"]
    units = set(final.select("colony_id", "winter").iter_rows())
    assert named <= units
    for report in reports:
        assert report.n_in == report.n_kept + sum(report.excluded.values())
        if report.counted == "colony-winters":
            assert report.n_in == len(units)
    for value, reason in (
        ("stores_use_kg", "stores_reason"),
        ("is_alive", "survival_reason"),
        ("spring_strength_frames", "spring_strength_reason"),
    ):
        assert final.filter(pl.col(value).is_null() == pl.col(reason).is_null()).is_empty()
    analysed = final.filter(pl.col("exclusion_reason").is_null())
    assert analysed.select("level", "member_id").null_count().sum_horizontal().item() == 0


@few
@given(pools())
def test_how_much_is_worked_on_at_once_changes_nothing(pool):
    whole, _ = derived(records(pool))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(degree_days, "WINDOWS_AT_ONCE", 2)
        patch.setattr(hive_envelopes, "HIVES_AT_ONCE", 2)
        in_parts, _ = derived(records(pool))
    for name, table in whole.items():
        assert_frame_equal(table, in_parts[name], check_exact=True)


@given(day, st.lists(month_day, min_size=4, max_size=4))
def test_a_date_lies_in_the_windows_of_one_winter(on, days):
    windows = WinterSettings(*days)
    rows = with_winter(pl.DataFrame({"on": [on]}), "on", windows).with_columns(
        year=wintering_year("on")
    )
    assert rows["winter"].item() in (None, rows["year"].item())


@pytest.mark.parametrize("table", ["stores_ledger", "degree_days", "winter_survival"])
def test_a_pool_without_records_gives_empty_tables(table):
    tables, reports = derived(records({}))
    assert tables[table].is_empty()
    assert all(report.n_in == 0 for report in reports)
