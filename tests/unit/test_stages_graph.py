"""The runner of the stages and the final table."""

from datetime import date

import polars as pl
import pytest

from pipeline.contracts import load_contracts, load_derived_contracts
from pipeline.errors import ContractError, StoreError
from pipeline.settings import Settings, WinterSettings
from pipeline.stages import graph
from pipeline.stages.mite_samples import mite_samples
from pipeline.stages.output import check_output
from pipeline.stages.windows import season_bounds, winter_day
from tests.stage_frames import derived, hive, record, records, yard


def test_every_stage_reads_tables_that_exist_and_are_built_before():
    built = set(load_contracts())
    for stage in graph.ordered_stages():
        assert set(stage.reads) <= built, stage.name
        built.add(stage.name)
    assert set(graph.stage_names()) == set(load_derived_contracts())


def test_large_tables_are_reduced_where_they_lie():
    stored = {name for stage in graph.STAGES for name in stage.reads_stored}
    assert stored == {"sensor_readings"}
    framed = {n for stage in graph.STAGES for n in set(stage.reads) - stage.reads_stored}
    assert "sensor_readings" not in framed


def test_winter_days_fall_in_the_right_year():
    got = pl.select(
        pl.lit(2023).alias("winter"),
        first=winter_day("10-01", pl.lit(2023)),
        second=winter_day("05-15", pl.lit(2023)),
        leap=winter_day("02-29", pl.lit(2023)),
        short=winter_day("02-30", pl.lit(2022)),
    ).row(0, named=True)
    assert got["first"] == date(2023, 10, 1)
    assert got["second"] == date(2024, 5, 15)
    assert got["leap"] == date(2024, 2, 29)
    assert got["short"] == date(2023, 2, 28)
    assert season_bounds(WinterSettings()) == ("08-01", "05-20")


def test_accounts_balance_and_are_laid_out():
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive("a"), hive("b"), hive("c", wall_material=None)],
            "set_ups": [{"colony_id": name, "winter": 2023} for name in "ac"],
            "mite_counts": [
                {
                    "colony_id": "b",
                    "sampled_on": day,
                    "method": "alcohol wash",
                    "sample_no": 1,
                    "bees_sampled": 300,
                    "mites_counted": 6,
                }
                for day in ("2023-09-01", "2023-12-15", "2024-06-01")
            ],
        }
    )
    tables, reports = derived(frames)
    accounts = graph.accounts_frame(reports)
    check_output(accounts, load_derived_contracts()["stage_accounts"])
    for report in reports:
        assert report.n_in == report.n_kept + sum(report.excluded.values())
    final = accounts.filter(pl.col("stage") == "colony_winters")
    assert final.select("status", "reason", "n").rows() == [
        ("in", None, 3),
        ("kept", None, 1),
        ("excluded", "material or thickness of the hive body not recorded", 1),
        ("excluded", "no set-up recorded", 1),
    ]
    mites = accounts.filter(pl.col("stage") == "mite_samples")
    assert mites.select("status", "reason", "n").rows() == [
        ("in", None, 3),
        ("kept", None, 1),
        ("excluded", "outside the autumn window", 2),
    ]
    assert tables["colony_winters"]["mite_counts_used"].to_list() == [0, 1, 0]


UNITS = pl.DataFrame({"colony_id": ["a", "b"], "winter": [2023, 2023]})


@pytest.mark.parametrize("rows", [[0], [0, 1, 1], [0, 0]])
def test_a_lost_or_doubled_unit_is_an_error(rows):
    stage = next(s for s in graph.STAGES if s.name == "strengths")
    table = UNITS[rows].with_columns(autumn_strength_reason=pl.lit(None, dtype=pl.String))
    with pytest.raises(StoreError, match="do not balance"):
        graph.balance(stage, table, UNITS, None)


def test_a_lost_reading_is_an_error():
    stage = next(s for s in graph.STAGES if s.name == "sensor_days")
    table = pl.DataFrame({"readings": [3, 4]})
    assert graph.balance(stage, table, None, 7).n_kept == 7
    with pytest.raises(StoreError, match="8 sensor readings in, 7 out"):
        graph.balance(stage, table, None, 8)


GOOD = pl.DataFrame(
    {
        "line_no": [1, 2],
        "stage": ["s", "s"],
        "counted": ["units", "units"],
        "status": ["in", "kept"],
        "reason": [None, None],
        "n": [3, 3],
    },
    schema_overrides={"reason": pl.String},
)


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        (GOOD.drop("n"), "n (absent for Int64)"),
        (GOOD.with_columns(extra=1), "extra (not expected)"),
        (GOOD.with_columns(pl.col("n").cast(pl.Int32)), "n (Int32 for Int64)"),
        (GOOD.select("n", pl.exclude("n")), "their order"),
        (GOOD.with_columns(stage=pl.lit(None, dtype=pl.String)), "stage is empty in 2 rows"),
        (GOOD.with_columns(status=pl.lit("gone")), "status holds 'gone'"),
        (GOOD.with_columns(n=-pl.col("n")), "n goes beyond 0"),
        (GOOD.with_columns(line_no=pl.lit(1, dtype=pl.Int64)), "is not unique"),
        (GOOD.reverse(), "not sorted"),
    ],
)
def test_a_table_that_breaks_its_contract_is_refused(table, problem):
    contract = load_derived_contracts()["stage_accounts"]
    check_output(GOOD, contract)
    with pytest.raises(ContractError) as caught:
        check_output(table, contract)
    assert problem in caught.value.problem


def test_numbers_must_be_finite():
    contract = load_derived_contracts()["station_days"]
    table = pl.DataFrame(
        [("s", date(2024, 1, 1), float("nan"), "hours", 24, None)],
        schema=contract.polars_schema,
        orient="row",
    )
    with pytest.raises(ContractError, match="not a finite number in 1 rows"):
        check_output(table, contract)


def test_treatments_between_count_and_reference():
    def count(day, sample_no=1, method="alcohol wash", bees=300, board_days=None):
        return {
            "colony_id": "a",
            "sampled_on": day,
            "method": method,
            "sample_no": sample_no,
            "bees_sampled": bees,
            "mites_counted": 9,
            "board_days": board_days,
        }

    counts = record(
        "mite_counts",
        [
            count("2023-08-20"),
            count("2023-08-20", sample_no=2),
            count("2023-09-30"),
            count("2023-10-20"),
            count("2023-10-21", method="sticky board", bees=None, board_days=3.0),
            count("2023-07-31"),
        ],
    )
    treatments = record(
        "treatments",
        [
            {"colony_id": "a", "applied_on": day, "active_ingredient": "formic acid"}
            for day in ("2023-08-20", "2023-09-10", "2023-10-01", "2023-10-20")
        ],
    )
    samples = mite_samples(counts, treatments, Settings())
    assert samples.select("sampled_on", "days_before_reference", "treatments_between").rows() == [
        (date(2023, 8, 20), 42.0, 2),
        (date(2023, 8, 20), 42.0, 2),
        (date(2023, 9, 30), 1.0, 0),
        (date(2023, 10, 20), -19.0, -1),
        (date(2023, 10, 21), -20.0, -2),
    ]
    assert samples["mites_per_100_bees"].to_list() == [3.0, 3.0, 3.0, 3.0, None]


def test_covariates_of_the_final_table():
    queens = [
        {"colony_id": "a", "introduced_on": "2022-06-01", "hatched_year": 2021},
        {"colony_id": "a", "introduced_on": "2024-01-01", "hatched_year": 2023},
        {"colony_id": "b", "introduced_on": "2023-07-01"},
    ]
    frames = records(
        {
            "apiaries": [
                yard(wind_exposure="exposed", elevation_m=120.0),
                yard(apiary_id="hill", member_id="member B"),
            ],
            "colonies": [hive("a"), hive("b"), hive("c", apiary_id="hill", empty_hive_kg=None)],
            "set_ups": [
                {
                    "colony_id": name,
                    "winter": 2023,
                    "top_opening": "open",
                    "has_moisture_absorber": True,
                    "assignment": "randomised",
                }
                for name in "abc"
            ],
            "queens": queens,
            "treatments": [
                {"colony_id": "a", "applied_on": day, "active_ingredient": ingredient}
                for day, ingredient in (
                    ("2023-06-20", "amitraz"),  # before July: of the season before
                    ("2023-08-15", "thymol"),
                    ("2023-09-11", "thymol"),
                    ("2023-09-11", "formic acid"),  # the last; of one day the first by name
                    ("2023-10-01", "lactic acid"),  # too late for the load of that day
                    ("2023-12-20", "oxalic acid"),
                )
            ]
            + [{"colony_id": "b", "applied_on": "2023-12-20", "active_ingredient": "oxalic acid"}],
            "weighings": [
                {"colony_id": n, "weighed_on": "2023-10-15", "gross_kg": 40.0, "method": "scale"}
                for n in "abc"
            ],
            "strength_inspections": [
                {"colony_id": n, "inspected_on": "2023-10-05", "frames_of_bees": 10.0} for n in "ac"
            ],
        }
    )
    table = derived(frames)[0]["colony_winters"]
    assert table["exclusion_reason"].null_count() == 3
    assert table["queen_age_years"].to_list() == [2.0, None, None]
    assert table["was_treated"].to_list() == [True, False, None]
    assert table["treatment_ingredient"].to_list() == ["formic acid", None, None]
    assert table["treated_days_before_reference"].to_list() == [20.0, None, None]
    assert table["autumn_stores_kg"].to_list() == [pytest.approx(40 - 15 - 2.88), None, None]
    assert table["wind_exposure"].to_list() == ["exposed", "exposed", None]
    assert table["elevation_m"].to_list() == [120.0, 120.0, None]
    assert table["top_opening"].to_list() == ["open"] * 3
    assert table["assignment"].to_list() == ["randomised"] * 3
    assert table["has_moisture_absorber"].to_list() == [True] * 3
    assert table["member_id"].to_list() == ["member A", "member A", "member B"]


def test_autumn_stores_are_empty_where_a_wrap_may_have_stood_on_the_scale():
    """Else what is adjusted for would rise with the level; by hand: 40 - 15 - 2.88 kg."""
    installed = {"bare": "2023-11-01", "wrapped": "2023-10-01", "unknown": None, "no wrap": None}
    layer = {"winter": 2023, "surface": "top", "layer_no": 1, "thickness_mm": 50.0}
    layer |= {"material": "extruded polystyrene"}
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive(name) for name in installed],
            "set_ups": [
                {"colony_id": name, "winter": 2023, "installed_on": day}
                for name, day in installed.items()
            ],
            "set_up_layers": [layer | {"colony_id": n} for n in ("bare", "wrapped", "unknown")],
            "weighings": [
                {"colony_id": n, "weighed_on": "2023-10-15", "gross_kg": 40.0, "method": "scale"}
                for n in installed
            ],
            "strength_inspections": [
                {"colony_id": n, "inspected_on": "2023-10-05", "frames_of_bees": 10.0}
                for n in installed
            ],
        }
    )
    table = derived(frames)[0]["colony_winters"]
    stores = dict(table.select("colony_id", "autumn_stores_kg").iter_rows())
    known = pytest.approx(40 - 15 - 2.88)
    assert stores == {"bare": known, "no wrap": known, "wrapped": None, "unknown": None}


def test_a_disaster_stays_in_the_analysis_without_a_verdict():
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive("a")],
            "set_ups": [{"colony_id": "a", "winter": 2023}],
            "winter_outcomes": [
                {
                    "colony_id": "a",
                    "winter": 2023,
                    "checked_on": "2024-01-15",
                    "state": "lost to disaster",
                    "likely_cause": "disaster",
                }
            ],
        }
    )
    row = derived(frames)[0]["colony_winters"].row(0, named=True)
    assert (row["exclusion_reason"], row["is_alive"], row["is_disaster"]) == (None, None, True)
    assert row["survival_reason"] == row["spring_strength_reason"] == "lost to disaster"
    assert row["likely_cause"] == "disaster"
