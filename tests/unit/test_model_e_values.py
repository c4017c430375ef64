"""E-values and the grid of confounders: identities and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.e_values import (
    STRENGTHS,
    bias_grid,
    bounding_factor,
    e_value,
    limit_e_value,
    risk_ratio_of_difference,
    risk_ratio_of_odds_ratio,
)
from pipeline.errors import ModelError

RATIOS = st.floats(0.05, 20.0)


@given(RATIOS)
def test_a_confounder_as_strong_as_the_e_value_just_explains_the_ratio(ratio):
    strength = e_value(ratio)
    assert bounding_factor(strength, strength) == pytest.approx(max(ratio, 1 / ratio), rel=1e-6)


@given(RATIOS)
def test_a_ratio_and_its_inverse_have_one_e_value(ratio):
    assert e_value(ratio) == pytest.approx(e_value(1 / ratio))


@given(RATIOS, st.floats(1.0, 50.0))
def test_no_ratio_needs_no_confounder_and_one_tie_alone_explains_nothing(ratio, strength):
    assert e_value(1.0) == 1.0
    assert bounding_factor(strength, 1.0) == pytest.approx(1.0)
    assert bounding_factor(strength, ratio + 1.0) <= min(strength, ratio + 1.0) + 1e-12


def test_the_limit_nearer_to_one_is_taken():
    assert limit_e_value(2.0, 1.5, 2.6) == e_value(1.5)
    assert limit_e_value(0.5, 0.4, 0.7) == e_value(0.7)
    assert limit_e_value(2.0, 1.0, 4.0) == 1.0


@pytest.mark.parametrize(("ratio", "low", "high"), [(1.3, 1.1, 1.6), (0.7, 0.5, 0.9)])
def test_the_grid_weakens_towards_one_and_agrees_with_the_e_value(ratio, low, high):
    strengths = (1.0, 1.5, e_value(ratio), 4.0)
    grid = bias_grid(ratio, low, high, strengths=strengths)
    assert grid.height == 16
    untouched = grid.filter(with_exposure=1.0)
    assert untouched["risk_ratio"].to_list() == pytest.approx([ratio] * 4)
    toward = np.sign(1.0 - ratio) * (grid["risk_ratio"].to_numpy() - ratio)
    assert (toward >= -1e-12).all()
    at = grid.filter(with_exposure=e_value(ratio), with_outcome=e_value(ratio))
    assert at["risk_ratio"].item() == pytest.approx(1.0)
    assert grid.filter(with_exposure=4.0, with_outcome=4.0)["is_estimate_explained"].item()
    # an explained estimate lies in an explained interval
    explained = grid.filter("is_estimate_explained")
    assert explained["is_interval_explained"].all()


def test_an_interval_that_held_one_from_the_start_is_explained_everywhere():
    assert bias_grid(1.2, 0.9, 1.6)["is_interval_explained"].all()
    assert bias_grid(1.2, 0.9, 1.6).height == len(STRENGTHS) ** 2


def test_a_positive_difference_has_a_ratio_above_one():
    ratio, low, high = risk_ratio_of_difference(0.4, 0.1)
    assert 1.0 < low < ratio < high
    assert risk_ratio_of_difference(0.0, 0.0) == (1.0, 1.0, 1.0)
    assert risk_ratio_of_odds_ratio(0.5, is_common=False) == 0.5


@pytest.mark.parametrize(
    "refused",
    [
        lambda: e_value(0.0),
        lambda: e_value(float("nan")),
        lambda: limit_e_value(1.5, 1.6, 2.0),
        lambda: limit_e_value(1.5, -1.0, 2.0),
        lambda: bounding_factor(0.5, 2.0),
        lambda: bounding_factor(2.0, float("inf")),
        lambda: risk_ratio_of_difference(float("nan"), 0.1),
        lambda: risk_ratio_of_difference(0.1, -0.1),
        lambda: bias_grid(1.5, 1.2, 1.9, strengths=(0.9,)),
        lambda: risk_ratio_of_odds_ratio(-1.0, is_common=True),
    ],
)
def test_numbers_that_mean_nothing_are_refused_in_words(refused):
    with pytest.raises(ModelError) as caught:
        refused()
    assert caught.value.problem and caught.value.mend
