"""Type and timing of treatments: the rules, the arrays, and what stays as it was without them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pymc as pm
import pytest
import xarray as xr
from pytensor.compile.mode import get_mode

from models.conditions import treatment_effects
from models.data import Pool, pack_pool
from models.log_likelihood import Draws, treatment_part
from models.parts.mites import add_mite_counts, add_mite_load, mite_coords
from models.priors import MitePriors
from models.refits.sampling import likeness
from models.simulate import Scenario, SimulatedPool, simulate_pool
from models.simulate_mites import Treatment
from models.treatments import OTHER, TIMING, TYPES, describe_treatments
from pipeline.settings import Settings

GIVEN = (Treatment("formic acid", 1.2), Treatment("thymol", 0.6))
SCENARIO = Scenario(n_members=8, colonies_per_apiary=4, treatments=GIVEN, regrowth=0.3)
MODE = get_mode("FAST_COMPILE").excluding("fusion")
OWN = {"treatment_type_sd", "treatment_type_z", "treatment_regrowth"}


def described(names: list[str | None], days: list[float | None], treated: list[float], least=2):
    units = pl.DataFrame(
        {"treatment_ingredient": names, "treated_days_before_reference": days},
        schema={"treatment_ingredient": pl.String, "treated_days_before_reference": pl.Float64},
    )
    given, parts = describe_treatments(units, np.array(treated), least, has_mites=True)
    return given, {part.name: part for part in parts}


def mites_alone(pool: Pool) -> pm.Model:
    """The mite part of the joint model and nothing else."""
    coords = {"unit": pool.unit_names, "member": pool.members, "winter": pool.winters}
    with pm.Model(coords=coords | mite_coords(pool)) as model:
        add_mite_counts(pool, MitePriors(), add_mite_load(pool, MitePriors()))
    return model


def packed(made: SimulatedPool) -> Pool:
    return pack_pool(made.colony_winters, made.mite_samples, Settings())


@pytest.fixture(scope="module")
def pool() -> Pool:
    return packed(simulate_pool(SCENARIO, 4))


def test_rare_types_stand_together_and_days_are_measured_from_the_usual():
    names = ["thymol", "thymol", "amitraz", "amitraz", "flumethrin", None, None]
    days: list[float | None] = [60, 30, 30, 40, 40, None, None]
    given, parts = described(names, days, [1, 1, 1, 1, 1, 0, 0.6])
    assert given.types == ("amitraz", "thymol", OTHER)
    assert given.share[:6].tolist() == [
        [0, 1, 0],
        [0, 1, 0],
        [1, 0, 0],
        [1, 0, 0],
        [0, 0, 1],
        [0, 0, 0],
    ]
    # a member who writes down no treatments: the pool's shares, times the pool's treated
    assert given.share[6] == pytest.approx([0.6 * 0.4, 0.6 * 0.4, 0.6 * 0.2])
    assert given.usual_days == 40
    assert given.months == pytest.approx([20 / 30, -10 / 30, -10 / 30, 0, 0, 0, 0])
    assert (parts[TYPES].n_units, parts[TIMING].n_units) == (5, 5)


@pytest.mark.parametrize(
    ("names", "days", "treated", "types", "timing"),
    [
        (["thymol"] * 4, [30, 50, 30, 50], [1] * 4, False, True),
        (["thymol"] * 2 + ["amitraz"] * 2, [40, 41, 42, 43], [1] * 4, True, False),
        (["thymol"] * 3 + ["amitraz"], [40] * 4, [1] * 4, False, False),
        ([None] * 4, [None] * 4, [1, 1, 0, 0], False, False),
    ],
)
def test_what_records_cannot_carry_is_left_out_with_a_reason(names, days, treated, types, timing):
    given, parts = described([*names, None], [*days, None], [*treated, 0])
    assert (given.has_types, given.has_timing) == (types, timing)
    for part, is_in in ((parts[TYPES], types), (parts[TIMING], timing)):
        assert part.is_included == is_in
        assert bool(part.reason) != is_in


def test_where_all_are_treated_or_no_mite_is_counted_nothing_is_told_apart():
    names, days = ["thymol", "thymol", "amitraz", "amitraz"], [20.0, 30.0, 50.0, 60.0]
    given, parts = described(names, days, [1, 1, 1, 1])
    assert not given.has_types and not given.has_timing
    assert "do not differ" in parts[TYPES].reason
    made = simulate_pool(replace(SCENARIO, absent_parts=frozenset({"mites"})), 4)
    parts = packed(made).parts
    assert not parts[TYPES].is_included
    assert parts[TIMING].reason == "there is no mite load to predict"


def test_records_without_names_and_days_make_the_model_of_one_number(pool):
    plain = packed(simulate_pool(replace(SCENARIO, treatments=()), 4))
    one = packed(simulate_pool(replace(SCENARIO, treatments=GIVEN[:1]), 4))
    names = {
        k: [v.name for v in mites_alone(p).free_RVs] for k, p in (("plain", plain), ("all", pool))
    }
    assert [n for n in names["all"] if n not in OWN] == names["plain"]
    assert set(names["all"]) - set(names["plain"]) == OWN
    assert not one.treatments.has_types and one.treatments.has_timing
    assert len({likeness(p) for p in (plain, one, pool)}) == 3


def test_simulated_treatments_have_a_name_and_a_day_only_where_asked():
    columns = ["treatment_ingredient", "treated_days_before_reference"]
    plain = simulate_pool(replace(SCENARIO, treatments=()), 4).colony_winters
    named = simulate_pool(SCENARIO, 4).colony_winters
    assert plain.select(columns).null_count().row(0) == (plain.height, plain.height)
    n_untreated = int((~named["was_treated"]).sum())
    assert 0 < n_untreated < named.height
    assert named.select(columns).null_count().row(0) == (n_untreated, n_untreated)
    assert set(named["treatment_ingredient"].drop_nulls()) == {"formic acid", "thymol"}


def test_the_load_of_the_model_holds_what_the_draws_say(pool):
    """The log load less what members, winters and chance add, by the graph and by the arrays."""
    model, rng = mites_alone(pool), np.random.default_rng(1)
    values = {
        "mite_load_mean": 0.0,
        "treatment_effect": -0.9,
        "treatment_type_sd": 0.5,
        "treatment_type_z": rng.normal(size=2),
        "treatment_regrowth": 0.4,
        "mite_member_sd": 0.3,
        "mite_member_z": np.zeros(len(pool.members)),
        "mite_winter_effect": np.zeros(len(pool.winters)),
        "mite_load_sd": 0.5,
        "mite_load_z": np.zeros(pool.n_units),
    }
    done = pm.do(model, values)
    load = done.compile_fn(done["mite_load"], inputs=[], mode=MODE, on_unused_input="ignore")
    draws = Draws(
        np.zeros((1, 0, 0)), np.zeros((1, 0)), {k: np.array([v]) for k, v in values.items()}
    )
    [own] = treatment_part(pool, draws)
    assert np.ptp(own) > 0.5
    np.testing.assert_allclose(load({}), own, atol=1e-12)
    # by hand: a treated unit against an untreated one, through the type's own effect
    posterior = xr.Dataset(
        {
            name: (("chain", "draw", "type")[: 2 + np.ndim(v)], np.array([[v]]))
            for name, v in values.items()
            if name.startswith("treatment")
        }
    )
    effects = {k: v.item() for k, v in treatment_effects(pool, posterior).items()}
    for kind in pool.treatments.types:
        k = pool.treatments.types.index(kind)
        treated = np.flatnonzero(pool.treatments.share[:, k] == 1.0)[0]
        untreated = np.flatnonzero(pool.treated == 0.0)[0]
        expected = effects[kind] + effects["30 days earlier"] * pool.treatments.months[treated]
        assert own[treated] - own[untreated] == pytest.approx(expected)
