"""Packing of the tables into arrays, and the rules that leave pieces out."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.covariates import beyond, describe_covariate
from models.data import pack_pool, reference_window_days
from models.simulate import Scenario, simulate_pool
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from pipeline.settings import Settings, WinterSettings

SMALL = Scenario(n_members=6, colonies_per_apiary=3, n_winters=2)


@pytest.fixture(scope="module")
def simulated():
    return simulate_pool(SMALL, seed=3)


def test_units_excluded_or_without_level_are_not_analysed_but_counted(simulated):
    table = simulated.colony_winters.with_row_index("i").with_columns(
        exclusion_reason=pl.when(pl.col("i") < 4).then(pl.lit("moved away")).otherwise(None),
        level=pl.when(pl.col("i").is_between(4, 6)).then(None).otherwise("level"),
    )
    pool = pack_pool(table.drop("i"), simulated.mite_samples, Settings())
    assert pool.n_units == table.height - 7
    assert pool.parts["colony-winters"].reason == (
        "7 colony-winters are left out: moved away or no insulation level, member or apiary"
    )


def test_shares_are_the_members_own_fractions():
    table = pl.DataFrame(
        {
            "colony_id": ["a", "b", "c", "d"],
            "winter": [2022] * 4,
            "apiary_id": ["P", "P", "Q", "R"],
            "member_id": ["m", "m", "m", "n"],
            "exclusion_reason": pl.Series([None] * 4, dtype=pl.String),
            "level": ["none", "full", "full", "none"],
            "top_opening": ["open", "closed", "closed", "open"],
        }
    )
    empty = simulate_pool(SMALL, 1)
    wanted = [c for c in empty.colony_winters.columns if c not in table.columns]
    table = table.with_columns(
        *(pl.lit(None, dtype=empty.colony_winters[c].dtype).alias(c) for c in wanted)
    )
    pool = pack_pool(table, empty.mite_samples, Settings())
    assert pool.levels == ("none", "full")
    assert pool.shares == ("full", "open")
    # m has 2 of 3 at full; n none; the pool 2 of 4. m has 1 of 3 open; the pool 2 of 4.
    np.testing.assert_allclose(pool.member_share, [[2 / 3 - 0.5, 1 / 3 - 0.5], [-0.5, 0.5]])
    # apiary P: 1 of 2 at full against m's 2 of 3; Q: 1 against 2/3; R is n's only apiary
    np.testing.assert_allclose(
        pool.apiary_share, [[0.5 - 2 / 3, 0.5 - 1 / 3], [1 - 2 / 3, -1 / 3], [0.0, 0.0]]
    )
    assert not pool.parts["mites"].is_included
    assert "fewer than 10" in pool.parts["mites"].reason
    assert not pool.has("winter effects")


def test_survivors_without_any_bees_counted_read_as_a_quarter_frame(simulated):
    table = simulated.colony_winters.with_columns(
        spring_strength_frames=pl.when(pl.col("is_alive")).then(0.0).otherwise(5.0)
    )
    pool = pack_pool(table, simulated.mite_samples, Settings())
    assert set(pool.observed[STRENGTH].value) == {0.25}
    alive = int(table["is_alive"].fill_null(False).sum())
    assert len(pool.observed[STRENGTH].rows) == alive  # dead colonies have no strength


def test_reasons_when_everybody_survived_and_nothing_was_weighed(simulated):
    table = simulated.colony_winters.with_columns(
        is_alive=pl.lit(True), stores_use_kg=pl.lit(None, dtype=pl.Float64)
    )
    pool = pack_pool(table, simulated.mite_samples, Settings())
    assert pool.parts[SURVIVAL].reason == "every colony survived"
    assert pool.parts[STORES].reason == (
        "stores use is recorded for 0 colony-winters, fewer than 10"
    )
    assert pool.outcomes == (STRENGTH,)


def test_an_empty_table_packs_to_nothing(simulated):
    pool = pack_pool(simulated.colony_winters.clear(), simulated.mite_samples.clear(), Settings())
    assert pool.n_units == 0
    assert pool.outcomes == ()


def test_reference_window_is_the_days_between_preferred_weighings():
    assert reference_window_days(WinterSettings()) == 177  # 15 October to 10 April
    settings = WinterSettings(autumn_weighing_near="11-01", spring_weighing_near="03-01")
    assert reference_window_days(settings) == 120  # 30 + 31 + 31 + 28


def test_a_value_read_with_error_is_drawn_towards_the_pool():
    values = np.array([4.0, 8.0, 8.0, 12.0])
    made = describe_covariate(
        "frames",
        values,
        place=np.arange(4),
        group=np.zeros(4, dtype=int),
        error_sd=np.full(4, 2.0),
        least_scale=0.1,
    )
    # variance 8, of which the error takes 4: half the way to the mean, and sd sqrt(0.5 * 4)
    back = made.location + made.scale * made.mean
    np.testing.assert_allclose(back, [6.0, 8.0, 8.0, 10.0])
    np.testing.assert_allclose(made.scale * made.sd, np.sqrt(2.0))


def test_a_missing_value_has_its_groups_mean_and_the_spread_within_groups():
    values = np.array([0.0, 2.0, 10.0, 12.0, np.nan])
    made = describe_covariate(
        "x",
        values,
        place=np.arange(5),
        group=np.array([0, 0, 1, 1, 1]),
        least_scale=0.1,
    )
    guess = made.location + made.scale * made.mean[4]
    assert 10.0 < guess < 11.0  # near its group's 11, a little towards the pool's 6
    np.testing.assert_allclose(made.mean[:4] * made.scale + made.location, values[:4])
    assert np.all(made.sd[:4] == 0.0)
    spread = made.scale * made.sd[4]
    assert np.sqrt(2.0) <= spread < 2.0  # within-group variance is 2, a little more for doubt


def test_a_covariate_that_does_not_vary_is_left_out():
    assert (
        describe_covariate(
            "x", np.ones(5), place=np.arange(5), group=np.zeros(5, int), least_scale=1.0
        )
        is None
    )


def test_height_beyond_cold_is_uncorrelated_with_it_and_keeps_gaps():
    place = np.repeat(np.arange(6), 2)
    cold = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], 2) + np.tile([-0.5, 0.5], 6)
    height = np.repeat([110.0, 190.0, 310.0, 390.0, np.nan, 600.0], 2)
    left = beyond(height, cold, place)
    known = np.isfinite(left)
    assert np.array_equal(known, np.isfinite(height))
    assert abs(np.corrcoef(left[known], np.repeat(np.arange(6.0), 2)[known])[0, 1]) < 1e-9
    assert np.ptp(left[known]) > 10
