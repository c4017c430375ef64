"""The joint model's graph: names, dims, finite density, plausible prior predictions."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import polars as pl
import pymc as pm
import pytest
from pytensor.compile.mode import get_mode

from models.data import pack_pool
from models.joint import build_joint_model, correlate
from models.left_out import _correlation
from models.predictor import layout_of
from models.simulate import Scenario, simulate_pool
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.errors import ModelError
from pipeline.settings import Settings

PIECES = ("step to", "top opening at", "cold at", "member share", "apiary share")
SLOPES = (
    "cold",
    "autumn strength",
    "queen age",
    "wind exposure",
    "elevation",
    "autumn stores",
    "mites",
)
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
    return build_joint_model(pool, is_rotated=False)


def log_densities(model: pm.Model) -> np.ndarray:
    """Log density of every variable at the start (their plain sum has too many terms for the
    slow mode that is used here)."""
    terms = model.compile_fn(model.logp(sum=False), mode=MODE)(model.initial_point())
    return np.array([np.sum(term) for term in terms])


def test_the_model_has_the_parts_of_the_design(model):
    names = {variable.name for variable in model.free_RVs}
    assert names == {
        "standardised",
        "spread",
        "partial_correlation_unit",
        "covariate_z",
        "mite_load_mean",
        "mite_member_sd",
        "mite_member_z",
        "mite_winter_effect",
        "mite_load_sd",
        "mite_load_z",
        "mite_growth",
        "treatment_effect",
        "treatment_efficacy",
        "sensitivity_logit",
        "count_overdispersion",
        "window_exponent",
        "stores_cv",
        "strength_cv",
    }
    assert set(model.coords["grouping"]) == {
        "member",
        "apiary",
        "apiary-winter",
        "colony",
        "level-winter",
        "full at apiary",
    }
    assert set(model.coords["term"]) == {
        "intercept",
        *(f"{piece} {level}" for level in ("top", "partial", "full") for piece in PIECES),
        "top opening",
        "member share open",
        "apiary share open",
        *(f"slope of {name}" for name in SLOPES),
    }
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
    assert model.named_vars_to_dims["coefficient"] == ("outcome", "term")
    assert model.coords["outcome"] == OUTCOMES
    assert model.coords["member"] == pool.members
    assert f"colony {pool.colonies[0]}" in model.coords["group"]
    assert len(model.coords["survival_unit"]) == len(pool.observed[SURVIVAL].rows)


def test_the_density_of_every_variable_is_finite_at_the_start(model):
    terms = log_densities(model)
    assert len(terms) == len(model.free_RVs) + len(model.observed_RVs)
    assert np.isfinite(terms).all()


def test_prior_predictions_are_plausible_and_sign_free(model):
    with model:
        kg, alive, frames, coefficient, load = pm.draw(
            [
                model["stores_use_kg"],
                model["is_alive"],
                model["spring_frames"],
                model["coefficient"],
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
    steps = [k for k, name in enumerate(model.coords["term"]) if name.startswith("step to")]
    full = coefficient[:, :, steps].sum(axis=2)
    assert np.all(np.abs((full > 0).mean(axis=0) - 0.5) < 0.1)


@pytest.mark.parametrize("absent", [STORES, SURVIVAL, STRENGTH, "mites"])
def test_a_part_nobody_records_is_absent_from_the_graph(absent):
    pool = packed(Scenario(n_members=8, colonies_per_apiary=4, absent_parts=frozenset({absent})))
    model = build_joint_model(pool, is_rotated=False)
    gone = {
        STORES: "stores_use_kg",
        SURVIVAL: "is_alive",
        STRENGTH: "spring_frames",
        "mites": "mite_load",
    }
    assert gone[absent] not in model.named_vars
    assert absent not in model.coords["outcome"]
    terms = model.coords["term"]
    assert ("slope of mites" in terms) == (absent != "mites")
    assert ("slope of autumn stores" in terms) == (absent not in (SURVIVAL, STORES))
    assert np.isfinite(log_densities(model)).all()


def test_one_winter_has_no_winter_terms():
    model = build_joint_model(packed(Scenario(n_members=8, colonies_per_apiary=4, n_winters=1)))
    assert not {"winter_effect", "mite_winter_effect"} & set(model.named_vars)
    assert set(model.coords["grouping"]) == {"member", "apiary", "full at apiary"}


def test_one_member_with_one_apiary_has_no_group_terms():
    made = simulate_pool(Scenario(n_members=1, apiaries_per_member=1, colonies_per_apiary=40), 2)
    pool = pack_pool(made.colony_winters, made.mite_samples, Settings())
    model = build_joint_model(pool, is_rotated=False)
    assert not {"member", "apiary", "full at apiary"} & set(model.coords["grouping"])
    assert not [t for t in model.coords["term"] if "share" in t or "elevation" in t]
    assert np.isfinite(log_densities(model)).all()


def test_sticky_boards_and_a_level_between_left_out():
    made = simulate_pool(
        Scenario(n_members=8, colonies_per_apiary=4, absent_levels=frozenset({"partial"})), 5
    )
    boards = made.mite_samples.with_columns(
        method=pl.lit("sticky board"), board_days=pl.lit(3.0), bees_sampled=None
    )
    pool = pack_pool(made.colony_winters, boards, Settings())
    model = build_joint_model(pool, is_rotated=False)
    assert [t for t in model.coords["term"] if t.startswith("step")] == [
        "step to top",
        "step to full",
    ]
    assert "mites_on_board" in model.named_vars
    assert "mites_in_sample" not in model.named_vars
    step = pm.draw(model["coefficient"], draws=2000, mode=MODE, random_seed=1)
    # from top to full is two steps of the walk: sqrt(2) times the spread
    ratio = step[:, 1, 2].std() / step[:, 1, 1].std()
    assert ratio == pytest.approx(np.sqrt(2), rel=0.08)


def test_nothing_to_compare_is_an_error_with_a_mend():
    made = simulate_pool(
        Scenario(n_members=8, absent_levels=frozenset({"top", "partial", "full"})), 5
    )
    pool = pack_pool(made.colony_winters, made.mite_samples, Settings())
    with pytest.raises(ModelError) as caught:
        build_joint_model(pool, is_rotated=False)
    assert "same insulation level" in caught.value.problem
    assert caught.value.mend


def test_outcomes_are_correlated_as_the_lkj_prior_says():
    """LKJ(eta) over 3 outcomes: each correlation is 2 Beta(eta + 1/2, eta + 1/2) - 1, whose
    variance is 1 / (2 eta + 2) (Lewandowski, Kurowicka and Joe 2009, from memory)."""
    with pm.Model(coords={"outcome": ["a", "b", "c"]}):
        rows = correlate(pm.Normal("z", shape=(3, 400)), eta=2.0)
        drawn = pm.draw(rows, draws=1500, mode=MODE, random_seed=2)
    r = np.array([np.corrcoef(sample)[np.triu_indices(3, 1)] for sample in drawn])
    np.testing.assert_allclose(r.var(axis=0), 1 / 6, rtol=0.12)
    np.testing.assert_allclose(r.mean(axis=0), 0.0, atol=0.04)
    np.testing.assert_allclose(drawn.std(axis=(0, 2)), 1.0, rtol=0.02)


def test_what_is_left_out_is_integrated_with_the_correlations_of_the_model(pool):
    """Group effects drawn under known partial correlations, against ``left_out``'s matrix."""
    unit = np.array([0.8, 0.35, 0.7])
    model = pm.do(build_joint_model(pool, is_rotated=False), {"partial_correlation_unit": unit})
    layout = layout_of(pool)
    drawn, spread = pm.draw(
        [model["group_effect"], model["spread"]], draws=200, mode=MODE, random_seed=3
    )
    members = drawn[:, :, : len(pool.members)] / spread[:, 0, :, None]
    found = np.corrcoef(members.transpose(1, 0, 2).reshape(3, -1))
    assert next(iter(layout.groupings)) == "member"
    given = SimpleNamespace(n=1, values={"partial_correlation": 2.0 * unit[None] - 1.0})
    [said] = _correlation(given, pool.outcomes)
    np.testing.assert_allclose(found, said, atol=4 / np.sqrt(members[:, 0].size))
    assert np.abs(said[np.triu_indices(3, 1)]).min() > 0.1
