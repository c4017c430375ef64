"""The joint model's graph: names, dims, finite density, plausible prior predictions."""

from __future__ import annotations

import numpy as np
import polars as pl
import pymc as pm
import pytest
from pytensor.compile.mode import get_mode

from models.data import pack_pool
from models.joint import build_joint_model
from models.simulate import Scenario, simulate_pool
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.errors import ModelError
from pipeline.settings import Settings

SCENARIO = Scenario(n_members=8, colonies_per_apiary=4, n_winters=2, confounding=0.5)
# no machine code: these checks run once
MODE = get_mode("FAST_COMPILE").excluding("fusion")


def packed(scenario: Scenario = SCENARIO, seed: int = 4):
    made = simulate_pool(scenario, seed)
    return pack_pool(made.colony_winters, made.mite_samples, Settings())


@pytest.fixture(scope="module")
def pool():
    return packed()


@pytest.fixture(scope="module")
def model(pool):
    return build_joint_model(pool)


def log_densities(model: pm.Model) -> np.ndarray:
    """Log density of every variable at the start (their plain sum has too many terms for the
    slow mode that is used here)."""
    terms = model.compile_fn(model.logp(sum=False), mode=MODE)(model.initial_point())
    return np.array([np.sum(term) for term in terms])


def test_the_model_has_the_parts_of_the_design(model):
    names = {variable.name for variable in model.free_RVs}
    assert {
        "intercept",
        "level_step",
        "opening_effect",
        "level_opening_effect",
        "level_cold_effect",
        "member_share_slope",
        "apiary_share_slope",
        "member_cholesky",
        "apiary_cholesky",
        "member_z",
        "apiary_z",
        "winter_z",
        "apiary_winter_z",
        "level_winter_z",
        "apiary_full_z",
        "grouping_sd",
        "slope",
        "autumn_stores_slope",
        "covariate_z",
        "mite_slope",
        "mite_load_mean",
        "mite_load_sd",
        "mite_load_z",
        "mite_growth",
        "treatment_effect",
        "treatment_efficacy",
        "sensitivity_logit",
        "count_overdispersion",
        "window_exponent",
        "stores_cv",
        "strength_sd",
    } <= names
    observed = {variable.name for variable in model.observed_RVs}
    assert observed == {"stores_use_kg", "is_alive", "spring_frames", "mites_in_sample"}


def test_what_insulation_itself_changes_is_not_adjusted_for(pool):
    adjusted = {c.name for c in pool.covariates} | {"autumn stores"}
    assert adjusted == {
        "cold",
        "autumn strength",
        "queen age",
        "wind exposure",
        "elevation",
        "autumn stores",
    }


def test_dims_bear_the_names_of_the_records(model, pool):
    assert model.named_vars_to_dims["level_step"] == ("outcome", "level_above")
    assert model.coords["outcome"] == OUTCOMES
    assert model.coords["level_above"] == ("top", "partial", "full")
    assert model.coords["member"] == pool.members
    assert len(model.coords["survival_unit"]) == len(pool.observed[SURVIVAL].rows)


def test_the_density_of_every_variable_is_finite_at_the_start(model):
    terms = log_densities(model)
    assert len(terms) == len(model.free_RVs) + len(model.observed_RVs)
    assert np.isfinite(terms).all()


def test_prior_predictions_are_plausible_and_sign_free(model):
    with model:
        kg, alive, frames, effect, load = pm.draw(
            [
                model["stores_use_kg"],
                model["is_alive"],
                model["spring_frames"],
                model["level_effect"],
                model["mite_load"],
            ],
            draws=200,
            mode=MODE,
            random_seed=8,
        )
    # common practice, no source: pools eat 5 to 30 kg, lose 5 to 60 %, count 2 to 15 frames
    assert np.quantile(np.median(kg, axis=1), 0.1) > 5
    assert np.quantile(np.median(kg, axis=1), 0.9) < 30
    pool_survival = alive.mean(axis=1)
    assert 0.35 < np.quantile(pool_survival, 0.05) < np.quantile(pool_survival, 0.95) < 0.97
    assert np.quantile(np.median(frames, axis=1), 0.1) > 2
    assert np.quantile(np.median(frames, axis=1), 0.9) < 15
    assert np.quantile(np.median(np.exp(load), axis=1), 0.05) > 0.2
    assert np.quantile(np.median(np.exp(load), axis=1), 0.95) < 12
    for outcome in range(3):
        assert 0.4 < (effect[:, outcome, -1] > 0).mean() < 0.6


@pytest.mark.parametrize("absent", [STORES, SURVIVAL, STRENGTH, "mites"])
def test_a_part_nobody_records_is_absent_from_the_graph(absent):
    pool = packed(Scenario(n_members=8, colonies_per_apiary=4, absent_parts=frozenset({absent})))
    model = build_joint_model(pool)
    gone = {
        STORES: "stores_use_kg",
        SURVIVAL: "is_alive",
        STRENGTH: "spring_frames",
        "mites": "mite_slope",
    }
    assert gone[absent] not in model.named_vars
    assert absent not in model.coords["outcome"]
    assert ("autumn_stores_slope" in model.named_vars) == (absent not in (SURVIVAL, STORES))
    assert np.isfinite(log_densities(model)).all()


def test_one_winter_has_no_winter_terms():
    model = build_joint_model(packed(Scenario(n_members=8, colonies_per_apiary=4, n_winters=1)))
    absent = {"winter_z", "level_winter_z", "apiary_winter_z", "colony_z", "mite_winter_effect"}
    assert not absent & set(model.named_vars)


def test_one_member_with_one_apiary_has_no_group_terms():
    made = simulate_pool(Scenario(n_members=1, apiaries_per_member=1, colonies_per_apiary=40), 2)
    pool = pack_pool(made.colony_winters, made.mite_samples, Settings())
    model = build_joint_model(pool)
    absent = {"member_z", "apiary_z", "member_share_slope", "apiary_share_slope", "elevation"}
    assert not absent & set(model.named_vars)
    assert np.isfinite(log_densities(model)).all()


def test_sticky_boards_and_a_level_between_left_out():
    made = simulate_pool(
        Scenario(n_members=8, colonies_per_apiary=4, absent_levels=frozenset({"partial"})), 5
    )
    boards = made.mite_samples.with_columns(
        method=pl.lit("sticky board"), board_days=pl.lit(3.0), bees_sampled=None
    )
    pool = pack_pool(made.colony_winters, boards, Settings())
    model = build_joint_model(pool)
    assert model.coords["level_above"] == ("top", "full")
    assert "mites_on_board" in model.named_vars
    assert "mites_in_sample" not in model.named_vars
    step = pm.draw(model["level_step"], draws=2000, mode=MODE, random_seed=1)
    # from top to full is two steps of the walk: sqrt(2) times the spread
    ratio = step[:, 1, 1].std() / step[:, 1, 0].std()
    assert ratio == pytest.approx(np.sqrt(2), rel=0.08)


def test_nothing_to_compare_is_an_error_with_a_mend():
    made = simulate_pool(
        Scenario(n_members=8, absent_levels=frozenset({"top", "partial", "full"})), 5
    )
    pool = pack_pool(made.colony_winters, made.mite_samples, Settings())
    with pytest.raises(ModelError) as caught:
        build_joint_model(pool)
    assert "same insulation level" in caught.value.problem
    assert caught.value.mend
