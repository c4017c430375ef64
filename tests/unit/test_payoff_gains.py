"""What a level does to the average colony-winter: agreement with the estimands, planted deaths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.estimands import NEW, THESE, contrast_draws, pool_means
from models.payoff import quantities
from models.payoff.inputs import CHOICES
from models.payoff.quantities import (
    DEATHS,
    FRAMES,
    SAVED,
    SCHEMA,
    gains_in,
    pool_gains,
    thinned,
)
from models.predictor import layout_of
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from tests.known_fit import known_fit

SEED = 4


@pytest.fixture(scope="module")
def fit():
    made = known_fit(3, n_draws=60, noise=0.3)
    named = made.posterior.assign_coords(grouping=list(layout_of(made.pool).groupings))
    return replace(made, posterior=named)


@pytest.fixture(scope="module")
def draws(fit) -> pl.DataFrame:
    return pool_gains(fit.pool, fit.posterior, seed=SEED)


@pytest.fixture(scope="module")
def means(fit):
    return pool_means(fit.pool, fit.posterior, seed=SEED)


def test_every_level_subgroup_and_horizon_is_there(fit, draws):
    assert draws.schema == pl.Schema(SCHEMA)
    assert set(draws["level"]) == {*fit.pool.levels[1:], "full closed"} == set(CHOICES)
    assert draws["draw"].n_unique() == 60
    of_new = draws.filter(horizon=NEW)
    assert set(of_new["subgroup"]) == {"all"}


@pytest.mark.parametrize("horizon", [THESE, NEW])
@pytest.mark.parametrize("level", ["top", "partial", "full", "full closed"])
def test_deaths_and_frames_are_those_of_the_estimands(fit, draws, means, level, horizon):
    subgroups = means.subgroups if horizon == THESE else ("all",)
    for subgroup in subgroups:
        own = gains_in(draws, level, subgroup, horizon)
        survival, strength = (
            contrast_draws(fit.pool, means, outcome, f"{level} vs none", horizon, subgroup)
            for outcome in (SURVIVAL, STRENGTH)
        )
        np.testing.assert_allclose(own.of(DEATHS), survival["difference"] / 100.0, atol=1e-12)
        np.testing.assert_allclose(own.of(FRAMES), strength["difference"], atol=1e-12)


def test_only_the_living_save_stores(fit, draws, means):
    for level in ("top", "partial", "full"):
        saved = gains_in(draws, level, "all", THESE).of(SAVED)
        if_none_died = contrast_draws(fit.pool, means, STORES, f"{level} vs none", THESE, "all")
        share = np.abs(saved / if_none_died["difference"])
        assert np.median(share) < 1.0  # some die


def test_a_pool_whose_colonies_all_die_saves_nothing(fit):
    posterior = fit.posterior.copy(deep=True)
    terms = layout_of(fit.pool).names
    o = fit.pool.outcomes.index(SURVIVAL)
    posterior["coefficient"].values[..., o, terms.index("intercept")] = -60.0
    dead = pool_gains(fit.pool, posterior, seed=SEED).filter(horizon=THESE)
    for quantity in (SAVED, DEATHS, FRAMES):
        assert dead[quantity].abs().max() < 1e-9, quantity
    posterior["coefficient"].values[..., o, terms.index("intercept")] = 60.0
    living = pool_gains(fit.pool, posterior, seed=SEED)
    means = pool_means(fit.pool, posterior, seed=SEED)
    for level in ("full", "full closed"):
        all_of_it = contrast_draws(fit.pool, means, STORES, f"{level} vs none", THESE, "all")
        saved = gains_in(living, level, "all", THESE).of(SAVED)
        np.testing.assert_allclose(saved, all_of_it["difference"], rtol=1e-9)


def test_without_openings_in_the_model_nothing_is_drawn_of_a_closed_top(fit):
    opening = fit.pool.parts["top opening"]
    parts = fit.pool.parts | {"top opening": replace(opening, is_included=False)}
    shut = replace(fit.pool, parts=parts)
    wanted = layout_of(shut).names
    own = fit.posterior["coefficient"].assign_coords(term=layout_of(fit.pool).names)
    kept = fit.posterior.drop_vars(["coefficient", "term"], errors="ignore")
    drawn = pool_gains(shut, kept.assign(coefficient=own.sel(term=wanted)), seed=SEED)
    assert set(drawn["level"]) == set(shut.levels[1:])


def test_thinning_keeps_evenly_spaced_draws(fit, monkeypatch):
    monkeypatch.setattr(quantities, "MOST_DRAWS", 20)
    kept = thinned(fit.posterior)
    assert kept.sizes["draw"] == 20
    assert set(kept) <= set(quantities.NEEDED)
    all_draws = pool_gains(fit.pool, fit.posterior, seed=SEED).filter(horizon=THESE, level="full")
    few = pool_gains(fit.pool, kept, seed=SEED).filter(horizon=THESE, level="full")
    every_third = all_draws.filter(pl.col("draw") % 3 == 0, pl.col("subgroup") == "all")
    np.testing.assert_allclose(
        few.filter(subgroup="all")[SAVED].to_numpy(), every_third[SAVED].to_numpy()
    )
