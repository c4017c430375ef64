"""Full insulation apiary by apiary: by hand, as parts of the pool's answer, and unnamed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.apiary_effects import PART, SCHEMA, apiary_table, gains_by_unit, raw_gain
from models.checks.base import Evidence
from models.data import Pool
from models.estimands import ALL, THESE, contrast_draws, flat_draws, pool_means
from models.predictor import layout_of
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from tests.known_fit import known_fit


@pytest.fixture(scope="module")
def fit() -> Evidence:
    return known_fit(5, n_draws=3, noise=0.3)


def _pool(fit: Evidence) -> Pool:
    return fit.pool


def test_apiaries_weighted_by_their_colony_winters_give_the_pools_answer(fit: Evidence) -> None:
    pool = _pool(fit)
    gains = gains_by_unit(pool, fit.posterior)
    named = fit.posterior.assign_coords(grouping=list(layout_of(pool).groupings))
    means = pool_means(pool, named, seed=1)
    assert set(gains) == {STORES, SURVIVAL, STRENGTH}
    for outcome, own in gains.items():
        pooled = contrast_draws(pool, means, outcome, "full vs none", THESE, ALL)["difference"]
        np.testing.assert_allclose(own.mean(axis=1), pooled, rtol=1e-9)
        table = apiary_table(pool, fit.posterior, fit.estimands)
        shown = table.filter(pl.col("outcome") == outcome)["mean"].to_numpy()
        sizes = np.bincount(pool.apiary)
        by_apiary = np.bincount(pool.apiary, own.mean(axis=0)) / sizes
        np.testing.assert_allclose(shown, np.sort(by_apiary)[::-1], rtol=1e-9)


def test_the_apiarys_own_effect_moves_its_estimate_and_no_others(fit: Evidence) -> None:
    pool, posterior = _pool(fit), fit.posterior.copy(deep=True)
    layout = layout_of(pool)
    before = gains_by_unit(pool, posterior)[STORES]
    start = layout.groups("full at apiary").start - len(layout.coefficients)
    o, apiary = pool.outcomes.index(STORES), 2
    posterior["group_effect"].values[:, :, o, start + apiary] -= 0.1
    after = gains_by_unit(pool, posterior)[STORES]
    is_here = pool.apiary == apiary
    np.testing.assert_array_equal(after[:, ~is_here], before[:, ~is_here])
    # log kilograms fall by 0.1 at full: what is used there becomes exp(-0.1) of what it was
    assert (after[:, is_here] > before[:, is_here]).all()
    assert flat_draws(posterior["group_effect"]).shape[0] == len(after)


def test_raw_gains_are_differences_of_raw_means(fit: Evidence) -> None:
    pool = _pool(fit)
    apiary = int(pool.apiary[0])
    units = np.flatnonzero(pool.apiary == apiary)[:4]
    level = pool.level.copy()
    level[pool.apiary == apiary] = pool.levels.index("partial") if "partial" in pool.levels else 1
    level[units] = [pool.levels.index(name) for name in ("none", "none", "full", "full")]
    seen = {
        STORES: replace(
            pool.observed[STORES], rows=units, value=np.array([15.0, 13.0, 10.0, 11.0])
        ),
        SURVIVAL: replace(
            pool.observed[SURVIVAL], rows=units, value=np.array([1.0, 0.0, 1.0, 1.0])
        ),
        # survivors alone are counted: none 8 frames of the one alive, full 6 and 9
        STRENGTH: replace(
            pool.observed[STRENGTH], rows=units[[0, 2, 3]], value=np.array([8.0, 6.0, 9.0])
        ),
    }
    longer = np.zeros(pool.n_units)
    longer[units[1]] = np.log(1.3)  # weighed over a window longer than the reference winter
    made = replace(pool, level=level, observed=pool.observed | seen, log_window=longer)
    assert raw_gain(made, STORES, apiary) == pytest.approx(12.5 - 10.5)
    assert raw_gain(made, SURVIVAL, apiary) == pytest.approx(50.0)
    assert raw_gain(made, STRENGTH, apiary) == pytest.approx(7.5 - 0.5 * 8.0)
    other = (apiary + 1) % len(pool.apiaries)
    assert np.isnan(raw_gain(made, STORES, other))


def test_rows_tell_places_and_no_names(fit: Evidence) -> None:
    pool = _pool(fit)
    table = apiary_table(pool, fit.posterior, fit.estimands)
    assert dict(table.schema) == SCHEMA
    assert table.height == len(pool.outcomes) * len(pool.apiaries)
    for _, own in table.group_by("outcome"):
        assert own["place"].to_list() == list(range(1, len(pool.apiaries) + 1))
        assert own["mean"].is_sorted(descending=True)
    text = table.write_csv()
    assert not any(name in text for name in (*pool.apiaries, *pool.members))
    assert (table["n_members"] == len(pool.members)).all()


def test_without_the_part_or_an_answer_there_are_no_rows(fit: Evidence) -> None:
    pool = _pool(fit)
    parts = pool.parts | {PART: replace(pool.parts[PART], is_included=False)}
    assert apiary_table(replace(pool, parts=parts), fit.posterior, fit.estimands).is_empty()
    none = fit.estimands.with_columns(status=pl.lit("cannot be estimated"))
    assert apiary_table(pool, fit.posterior, none).is_empty()
    only = fit.estimands.filter(pl.col("outcome") == SURVIVAL)
    assert apiary_table(pool, fit.posterior, only)["outcome"].unique().to_list() == [SURVIVAL]
