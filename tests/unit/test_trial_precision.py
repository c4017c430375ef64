"""Precision of trials: what is known, how it turns into a trial's outcomes, and the search."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
import xarray as xr

from models.data import Pool, pack_pool
from models.estimands import ALL, SURVIVORS, THESE, Setting, pool_means
from models.predictor import layout_of
from models.refits.base import Records
from models.trial.as_assigned import as_assigned, drawn_variation
from models.trial.expectations import (
    FIT,
    PRIORS,
    Expected,
    Known,
    expected_of,
    known_after,
    known_before,
)
from models.trial.precision import (
    GENERAL,
    MOST_COLONIES,
    OWN,
    TARGETS,
    Trial,
    analyse,
    least_colonies,
    precision_table,
    smallest_pools,
    trial_variance,
)
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.settings import StoresSettings
from tests.known_fit import known_fit


def fitted(seed: int = 4, n_draws: int = 40, noise: float = 0.0) -> tuple[Pool, xr.Dataset]:
    """A known fit, its draws labelled as a fit's are."""
    evidence = known_fit(seed, n_draws=n_draws, noise=noise)
    pool, layout = evidence.pool, layout_of(evidence.pool)
    labels = {"outcome": list(pool.outcomes), "term": layout.names}
    return pool, evidence.posterior.assign_coords(grouping=list(layout.groupings), **labels)


@pytest.fixture(scope="module")
def before() -> Known:
    return known_before(600, 3, StoresSettings())


@pytest.fixture(scope="module")
def after(before: Known) -> tuple[Known, dict[str, Expected]]:
    known = known_after(*fitted(noise=0.1), list(OUTCOMES), before, 20, 5)
    return known, expected_of(known)


def test_before_any_record_either_sign_is_as_likely(before: Known) -> None:
    for outcome, own in expected_of(before).items():
        assert own.source == PRIORS
        assert abs(own.gain.mean()) < 4 * own.gain.std() / np.sqrt(600), outcome
        for spread in (own.apiary_sd, own.winter_sd, own.none_sd, own.full_sd, own.prior_sd):
            assert np.isfinite(spread).all()
            assert (spread > 0).all()
    table = precision_table(expected_of(before), [8], [10], [2])
    assert (abs(table["p_benefit"] - table["p_harm"]) < 0.06).all()


def test_a_fit_gives_its_own_means_without_what_is_peculiar_to_its_winters(before: Known) -> None:
    pool, posterior = fitted(noise=0.1)
    plain = known_after(pool, posterior, list(OUTCOMES), before, 40, 5)
    means = pool_means(pool, posterior, seed=1)
    none = means.of(STORES, Setting("none"), THESE, ALL)
    np.testing.assert_allclose(plain.none[STORES], none)  # full's own deviations are not in none
    full = means.of(SURVIVORS, Setting("full"), THESE, ALL)
    assert abs(plain.full[STRENGTH].mean() / full.mean() - 1) < 0.25
    assert len(plain.cv) == 40
    assert set(plain.sources.values()) == {FIT}


def test_the_slope_of_survival_is_the_derivative(after: tuple[Known, dict[str, Expected]]) -> None:
    known, _ = after
    chance = known.full[SURVIVAL]
    # an average of p(1-p) over units that differ: below p(1-p) of the average, not far below
    assert (known.survival_slope < chance * (1 - chance)).all()
    assert (known.survival_slope > 0.4 * chance * (1 - chance)).all()


def test_outcomes_without_an_estimate_come_from_the_priors(before: Known) -> None:
    known = known_after(*fitted(), [STORES, STRENGTH], before, 20, 5)
    # frames count the dead as zero: without survival they are not the fit's
    assert known.sources == {STORES: FIT, SURVIVAL: PRIORS, STRENGTH: PRIORS}
    np.testing.assert_array_equal(known.none[SURVIVAL], before.none[SURVIVAL][: len(known.cv)])
    assert expected_of(known)[STRENGTH].source == PRIORS


def test_one_winter_takes_the_spread_between_winters_from_its_prior(before: Known) -> None:
    pool, posterior = fitted()
    layout = layout_of(pool)
    out = layout.groups("level-winter")
    first = len(layout.coefficients)
    kept = [k for k in range(layout.n_groups) if not out.start <= k + first < out.stop]
    posterior = posterior.isel(group=kept).drop_sel(grouping="level-winter")
    left_out = replace(pool.parts["level by winter"], is_included=False)
    pool = replace(pool, parts=pool.parts | {"level by winter": left_out})
    known = known_after(pool, posterior, list(OUTCOMES), before, 20, 5)
    assert np.ptp(known.winter_sd[SURVIVAL]) > 0
    # these draws hardly differ: what is not sure of full is what it did in that winter alone
    logit = np.log(known.full[SURVIVAL] / (1.0 - known.full[SURVIVAL]))
    typical = np.sqrt(np.mean(known.winter_sd[SURVIVAL] ** 2))
    assert 0.5 * typical < logit.std() < 1.6 * typical
    assert np.ptp(known.none[SURVIVAL]) < 0.1 * np.ptp(known.full[SURVIVAL])


def test_every_colony_more_narrows_the_interval(
    after: tuple[Known, dict[str, Expected]],
) -> None:
    _, expected = after
    for own in expected.values():
        for target in TARGETS:
            for trial in (Trial(2, 5, 1), Trial(5, 5, 2), Trial(8, 10, 3)):
                width = analyse(own, trial, target).width.mean()
                for more in (
                    replace(trial, colonies=trial.colonies + 1),
                    replace(trial, apiaries=trial.apiaries + 1),
                    replace(trial, winters=trial.winters + 1),
                ):
                    assert analyse(own, more, target).width.mean() < width


def test_spreads_of_the_gain_count_only_beyond_the_trial(
    after: tuple[Known, dict[str, Expected]],
) -> None:
    _, expected = after
    for own in expected.values():
        endless = Trial(10**6, 5, 1)
        assert analyse(own, endless, OWN).width.mean() < 0.05 * own.none_sd.mean()
        floor = np.mean(own.apiary_sd**2) / 5 + np.mean(own.winter_sd**2)
        prior = np.mean(own.prior_sd**2)
        sure = 2 * 1.598193 * np.sqrt(1 / (1 / floor + 1 / prior))  # z of 94.5 %: 1.598193
        np.testing.assert_allclose(analyse(own, endless, GENERAL).width, sure, rtol=1e-3)


def test_the_table_has_every_trial_and_its_chances(
    after: tuple[Known, dict[str, Expected]],
) -> None:
    _, expected = after
    table = precision_table(expected, [4, 7], [5], [1, 2])
    assert table.height == 3 * 2 * 4
    assert (table["p_decisive"] - table["p_benefit"] - table["p_harm"]).abs().max() < 1e-12
    assert (table["width_low"] <= table["width"]).all()
    assert (table["width"] <= table["width_high"]).all()
    assert (table["colony_winters"] == table["colonies"] * 5 * table["winters"]).all()


def test_the_smallest_pool_reaches_the_width_and_one_colony_fewer_does_not(
    after: tuple[Known, dict[str, Expected]],
) -> None:
    _, expected = after
    found = smallest_pools(expected, [5, 20], [1, 3], {SURVIVAL: 12.0, STORES: 0.001})
    reached = found.filter(pl.col("colonies").is_not_null())
    assert reached["outcome"].unique().to_list() == [SURVIVAL]
    for row in reached.to_dicts():
        at = Trial(row["colonies"], row["apiaries"], row["winters"])
        assert analyse(expected[SURVIVAL], at, row["target"]).width.mean() <= 12.0
        if at.colonies > 2:
            fewer = replace(at, colonies=at.colonies - 1)
            assert analyse(expected[SURVIVAL], fewer, row["target"]).width.mean() > 12.0
    for rows in reached.partition_by("target"):
        best = rows.filter("is_smallest")
        assert best["colony_winters"].to_list() == [rows["colony_winters"].min()]
    hopeless = found.filter(pl.col("outcome") == STORES)
    assert (hopeless["least_width"] > 0.001).all()
    assert not hopeless["is_smallest"].any()
    assert least_colonies(expected[SURVIVAL], 20, 3, OWN, 1e6) == 2
    assert MOST_COLONIES == 200


def test_an_odd_colony_stands_at_either_level_by_turns() -> None:
    one = np.ones(1)
    own = Expected(STORES, one, 0 * one, 0 * one, 3 * one, 1 * one, one, FIT)
    # three colonies: 9/1 + 1/2 = 9.5 and 9/2 + 1/1 = 5.5; mean precision of two apiaries
    hand = 1 / (1 / 9.5 + 1 / 5.5)
    np.testing.assert_allclose(trial_variance(own, Trial(3, 2, 1)), hand)


def test_as_drawn_records_have_the_level_of_the_lot() -> None:
    evidence = known_fit(4, n_draws=2)
    units = evidence.colony_winters.sort("colony_id", "winter")
    first = units.head(4).with_columns(
        exclusion_reason=pl.Series([None, "no set-up recorded", "lost to disaster", None]),
        level=pl.Series(["none", None, "none", "top"]),
    )
    units = pl.concat([first, units.slice(4, 6)], how="vertical_relaxed")
    drawn = first.select("colony_id", "winter", level=pl.lit("full"))
    made = as_assigned(Records(units, evidence.mite_samples), drawn).colony_winters
    assert made.schema == units.schema
    assert made["level"].to_list() == ["full"] * 4 + units["level"].to_list()[4:]
    assert made["exclusion_reason"].to_list()[:4] == [None, None, "lost to disaster", None]
    assert set(made["exclusion_reason"].to_list()[4:]) == {"not in a draw"}


def test_as_drawn_records_pack_into_a_pool_of_the_drawn_levels_alone() -> None:
    evidence = known_fit(4, n_draws=2)
    units = evidence.colony_winters.filter(pl.col("exclusion_reason").is_null()).head(40)
    lots = pl.Series(["none", "full"] * 20)
    drawn = units.select("colony_id", "winter", level=lots)
    made = as_assigned(Records(evidence.colony_winters, evidence.mite_samples), drawn)
    pool = pack_pool(made.colony_winters, made.mite_samples, evidence.settings)
    assert pool.levels == ("none", "full")
    assert pool.n_units == 40
    assert "not in a draw" in pool.parts["colony-winters"].reason
    nothing = as_assigned(Records(evidence.colony_winters, evidence.mite_samples), drawn.clear())
    assert nothing.colony_winters["exclusion_reason"].null_count() == 0


def test_the_refit_as_drawn_is_there_where_something_was_drawn() -> None:
    evidence = known_fit(4, n_draws=2)
    records = Records(evidence.colony_winters, evidence.mite_samples)
    drawn = evidence.colony_winters.head(4).select("colony_id", "winter", level=pl.lit("full"))
    [variation] = drawn_variation(drawn)
    made = variation.change_records(records).colony_winters
    assert made.equals(as_assigned(records, drawn).colony_winters)
    assert drawn_variation(drawn.clear()) == []
