"""The day-by-day association: hand-worked heat, potential outcomes, and the way into the tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.calibration.mechanism import (
    CLUSTER_W_PER_K_KG,
    HONEY_J_PER_KG,
    WEIGHED,
    Association,
    invent,
    live,
    truth_of,
)
from models.calibration.records import build_pool_tables, colony_id, write_records
from models.calibration.scenarios import (
    ORDINARY,
    SCENARIOS,
    Scenario,
    make_replicate,
    naive_contrast,
    scenario_named,
)
from models.identify import identify_contrasts
from models.predictor import latent_covariates, layout_of
from models.vocabulary import LEVELS, OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.contracts import load_contracts
from pipeline.settings import Settings


@pytest.fixture(scope="module")
def world():
    return invent(Association(), 0)


def at(world, level: str):
    return live(world, np.full(world.n_units, LEVELS.index(level)))


def test_the_first_days_burning_is_what_the_heat_balance_says(world):
    """By hand: two resistances in series, times the drop, over honey's 12.72 MJ/kg."""
    bees, hive = world.autumn_kg[0], 2.6 + 0.5 * world.opening[0]
    through = 1 / (1 / (CLUSTER_W_PER_K_KG * bees) + 1 / hive)
    outside = world.outside_c[world.apiary[0], world.winter[0], 14]
    watts = max(through * (20 - outside), 1.5 * bees)
    kg = world.appetite[0] * watts * 86400 / HONEY_J_PER_KG
    assert at(world, "none").eaten_kg[0, 0] == pytest.approx(kg)


def test_one_watt_for_thirty_days_is_a_fifth_of_a_kilogram_of_honey():
    """0.204 kg, computed from 12.72 MJ/kg (USDA food table, 1,272 kJ per 100 g)."""
    kg = 30 * 86400 / HONEY_J_PER_KG
    assert kg == pytest.approx(0.204, abs=0.0005)


def test_winters_are_of_a_usual_size(world):
    """0.5 to 1.5 kg a month early in winter, 3 to 4 colonies in 5 live: from memory, no source."""
    lives = live(world, world.level)
    assert 5 < np.median(lives.eaten_kg[:, WEIGHED]) < 16
    assert 0.5 < np.exp(-lives.hazard[:, -1]).mean() < 0.9


def test_insulation_lowers_every_colonys_first_day_and_never_raises_its_hazard(world):
    none, full = at(world, "none"), at(world, "full")
    assert np.all(full.eaten_kg[:, 0] <= none.eaten_kg[:, 0])
    assert np.all(full.hazard[:, -1] <= none.hazard[:, -1] + 1e-9)


def test_hives_that_conduct_alike_have_no_effect_at_all():
    made = invent(Association(conductance_w_per_k=(2.0,) * 4), 3)
    assert truth_of(made) == {outcome: 0.0 for outcome in OUTCOMES}


def test_harm_is_harm_in_the_truth():
    truth = truth_of(invent(scenario_named("harm").association, 1))
    assert truth[SURVIVAL] < -10
    assert truth[STRENGTH] < 0
    assert truth[STORES] == 0.0


def test_the_chance_of_survival_is_what_luck_gives_on_average(world):
    hazard = at(world, "none").hazard[:, -1]
    rng = np.random.default_rng(1)
    lived = (rng.exponential(size=(400, world.n_units)) > hazard).mean()
    chance = np.exp(-hazard).mean()
    assert abs(lived - chance) < 4 * np.sqrt(0.25 / (400 * world.n_units))


def test_one_seed_one_world_another_seed_another(world):
    again, other = invent(Association(), 0), invent(Association(), 1)
    assert np.array_equal(world.outside_c, again.outside_c)
    assert np.array_equal(world.luck, again.luck)
    assert not np.array_equal(world.luck, other.luck)


@pytest.fixture(scope="module")
def ordinary():
    return make_replicate(scenario_named(ORDINARY), 0)


def test_every_colony_winter_arrives_through_the_stages(ordinary):
    table = ordinary.tables["colony_winters"]
    assert table.height == ordinary.world.n_units == ordinary.pool.n_units
    assert table["exclusion_reason"].null_count() == table.height
    levels = dict(zip(table["colony_id"], table["level"], strict=True))
    names = {colony_id(ordinary.world, i): LEVELS[k] for i, k in enumerate(ordinary.world.level)}
    assert levels == names


def test_the_ledger_comes_near_what_was_eaten(ordinary):
    """Bees are counted ten days after the hive is weighed; the ledger takes their growth off."""
    lives = live(ordinary.world, ordinary.world.level)
    eaten = pl.DataFrame(
        {
            "colony_id": [colony_id(ordinary.world, i) for i in range(ordinary.world.n_units)],
            "eaten_kg": lives.eaten_kg[:, WEIGHED],
        }
    )
    whole = ordinary.tables["colony_winters"].filter("is_alive").drop_nulls("stores_use_kg")
    error = whole.join(eaten, on="colony_id").select(
        e=pl.col("stores_use_kg") - pl.col("eaten_kg")
    )["e"]
    assert abs(error.mean()) < 0.3
    assert error.std() < 2 * whole["stores_method_sd_kg"].mean()


def shape(pool) -> tuple:
    return layout_of(pool).n_effects, latent_covariates(pool)[1], pool.n_units, pool.levels


def test_pools_of_one_association_share_a_shape(ordinary):
    """So that the model is compiled once for all replicates."""
    for number in (1, 2):
        other = make_replicate(scenario_named(ORDINARY), number).pool
        assert shape(other) == shape(ordinary.pool)
    moved = make_replicate(scenario_named("colonies moved"), 1).pool
    assert shape(moved) == shape(ordinary.pool)


def test_written_rows_keep_the_contracts(ordinary):
    rows = scenario_named("pounds as kilograms").fault(
        ordinary.world, ordinary.rows, np.random.default_rng(0)
    )
    contracts = load_contracts()
    for name, made in rows.items():
        for field in contracts[name].fields:
            values = [row.get(field.name) for row in made]
            if field.is_required and field.default is None:
                assert None not in values, (name, field.name)
            known = [v for v in values if v is not None]
            if field.enum:
                assert set(known) <= set(field.enum), (name, field.name)
            if field.minimum is not None and known:
                assert min(known) >= field.minimum, (name, field.name)
            if field.maximum is not None and known:
                assert max(known) <= field.maximum, (name, field.name)


def changed(name: str, number: int = 0):
    return make_replicate(scenario_named(name), number)


def test_moved_colonies_count_where_they_wintered():
    made = changed("colonies moved")
    listed = {row["colony_id"]: row["apiary_id"] for row in made.rows["colonies"]}
    table = made.tables["colony_winters"]
    true = [f"A{made.world.apiary[int(c[1:])]:03d}" for c in table["colony_id"]]
    assert table["apiary_id"].to_list() == true
    assert sum(listed[c] != a for c, a in zip(table["colony_id"], true, strict=True)) == 40


def test_a_disaster_is_no_loss_to_any_level():
    made = changed("disaster at one apiary")
    struck = made.tables["colony_winters"].filter("is_disaster")
    assert struck.height == made.world.association.colonies_per_apiary
    assert struck["is_alive"].null_count() == struck.height
    plain = naive_contrast(scenario_named(ORDINARY), made.tables, made.rows)
    hasty = naive_contrast(scenario_named("disaster at one apiary"), made.tables, made.rows)
    assert hasty[SURVIVAL] < plain[SURVIVAL]


def test_foam_hives_count_as_what_they_are():
    made = changed("foam bodies unwrapped")
    wrapped = {row["colony_id"] for row in made.rows["set_up_layers"]}
    foam = {r["colony_id"] for r in made.rows["colonies"] if r["wall_material"] != "softwood"}
    assert foam and not foam & wrapped
    table = made.tables["colony_winters"].filter(pl.col("colony_id").is_in(list(foam)))
    assert set(table["level"]) == {"full"}


def test_pounds_are_two_times_too_large_for_one_member_alone(ordinary):
    made = changed("pounds as kilograms")
    before = ordinary.tables["colony_winters"].select("colony_id", true="stores_use_kg")
    table = made.tables["colony_winters"].join(before, on="colony_id").drop_nulls("true")
    wrong = table.filter((pl.col("stores_use_kg") - pl.col("true")).abs() > 1e-9)
    assert wrong["member_id"].n_unique() == 1


def test_unreported_losses_are_missing_at_none_alone(ordinary):
    made = changed("losses unreported")
    silent = made.tables["colony_winters"].filter(pl.col("is_alive").is_null())
    assert silent.height and set(silent["level"]) == {"none"}
    died = ordinary.tables["colony_winters"].filter(level="none", is_alive=False).height
    assert silent.height == died // 2


def test_light_hives_are_weighed_less():
    made = changed("weighings missing not at random")
    before = changed(ORDINARY).tables["colony_winters"]
    lost = made.tables["colony_winters"].filter(pl.col("stores_use_kg").is_null())
    kept = made.tables["colony_winters"].filter(pl.col("stores_use_kg").is_not_null())
    use = before.drop_nulls("stores_use_kg")
    assert lost.height > 1.3 * (before.height - use.height)

    def mean(names: pl.Series) -> float:
        return use.filter(pl.col("colony_id").is_in(names.to_list()))["stores_use_kg"].mean()

    assert mean(lost["colony_id"]) > mean(kept["colony_id"])


def test_counts_become_few_and_come_first_from_the_method_that_finds_less(ordinary):
    made = changed("confounded by mites")
    methods = [row["method"] for row in made.rows["mite_counts"]]
    assert len(methods) == 40 < 0.3 * len(ordinary.rows["mite_counts"])
    assert set(methods) == {"sugar roll", "alcohol wash"}


def test_one_member_sends_two_records_in_five():
    pool = changed("one member sends 40 %").pool
    share = np.bincount(pool.member).max() / pool.n_units
    assert share == pytest.approx(0.4, abs=0.02)


def test_without_overlap_everything_is_refused():
    made = changed("no overlap")
    verdicts = identify_contrasts(made.pool, Settings())
    assert not any(v.is_identified for v in verdicts.values())
    assert all(v.reason.startswith("Cannot be estimated") for v in verdicts.values())


def test_selected_colonies_are_the_vigorous_ones():
    """The raw contrast of survival is far too good on average over ten pools."""
    scenario = scenario_named("selection within a member")
    excess = []
    for number in range(10):
        made = make_replicate(scenario, number)
        raw = naive_contrast(scenario, made.tables, made.rows)[SURVIVAL]
        excess.append(raw - truth_of(made.world)[SURVIVAL])
    assert np.mean(excess) > 5


def test_scenarios_have_a_name_a_sentence_and_an_outcome_each():
    assert len({s.name for s in SCENARIOS}) == len(SCENARIOS) == 16
    assert all(s.expectation.endswith(".") for s in SCENARIOS)
    assert {s.outcome for s in SCENARIOS} == {"covered", "refused", "known failure"}


def test_the_naive_contrast_by_hand():
    table = pl.DataFrame(
        {
            "colony_id": list("abcd"),
            "level": ["none", "none", "full", "full"],
            "is_alive": [True, False, True, True],
            "is_disaster": [False, False, False, False],
            "stores_use_kg": [10.0, 12.0, 8.0, None],
            "spring_strength_frames": [6.0, None, 8.0, 6.0],
        }
    )
    raw = naive_contrast(Scenario("by hand", "."), {"colony_winters": table}, {})
    assert raw == {STORES: 3.0, SURVIVAL: 50.0, STRENGTH: 4.0}
    survivors = naive_contrast(
        Scenario("by hand", ".", naive="survivors"), {"colony_winters": table}, {}
    )
    assert survivors[STRENGTH] == 1.0


def test_records_can_be_written_of_any_level(world):
    bare = replace(world, level=np.zeros(world.n_units, dtype=int))
    tables = build_pool_tables(write_records(bare, np.random.default_rng(0)), Settings())
    assert set(tables["colony_winters"]["level"]) == {"none"}
