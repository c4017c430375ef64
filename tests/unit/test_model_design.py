"""The predictor that is sampled is the predictor of draws, and its gradient is its gradient."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytensor
import pytensor.tensor as pt
import pytest

from models.data import pack_pool
from models.design import Design, Predictor, design_of
from models.joint import terms_of
from models.predictor import latent_covariates, layout_of, linear_predictor
from models.simulate import Scenario, simulate_pool
from pipeline.settings import Settings


@pytest.fixture(scope="module")
def pool():
    made = simulate_pool(Scenario(n_members=8, colonies_per_apiary=4), 3)
    return pack_pool(made.colony_winters, made.mite_samples, Settings())


def tables(design: Design) -> list[np.ndarray]:
    return [getattr(design, name) for name in Design.__slots__]


def small_design(rng: np.random.Generator, n_outcomes: int) -> Design:
    """Seven units, three coefficients, four groups, two uncertain columns."""
    return Design(
        known=rng.normal(size=(7, 3)),
        speaks=rng.integers(0, 2, size=(n_outcomes, 3)).astype(float),
        pick=rng.integers(3, 7, size=(7, 2)),
        weight=rng.normal(size=(7, 2)),
        slope=np.array([2, 0]),
        sd=rng.normal(size=(7, 2)),
        place=rng.integers(0, 5, size=(7, 2)),
    )


@pytest.mark.parametrize("mode", ["NUMBA", "FAST_COMPILE"])
def test_sampled_and_drawn_predictors_agree_on_a_pool(pool, mode):
    """All outcomes, covariates with gaps, autumn stores that speak to survival only, mites."""
    layout, terms = layout_of(pool), terms_of(pool, layout_of(pool))
    design = design_of(terms)
    assert not design.speaks.all()
    assert 0 < len(design.slope) < terms["survival"].latent_sd.shape[1]
    rng = np.random.default_rng(2)
    effects = rng.normal(size=(len(terms), layout.n_effects))
    latent = rng.normal(size=latent_covariates(pool)[1] + pool.n_units)
    e, x = pt.dmatrix(), pt.dvector()
    sampled = pytensor.function([e, x], Predictor()(e, x, *tables(design)), mode=mode)
    drawn = [linear_predictor(effects[o], latent, own) for o, own in enumerate(terms.values())]
    np.testing.assert_allclose(sampled(effects, latent), drawn, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("n_outcomes", [1, 2, 3])
@pytest.mark.parametrize("mode", ["NUMBA", "FAST_COMPILE"])
def test_the_gradient_is_that_of_finite_differences(n_outcomes, mode):
    rng = np.random.default_rng(n_outcomes)
    design = small_design(rng, n_outcomes)
    pytensor.gradient.verify_grad(
        lambda e, x: Predictor()(e, x, *map(pt.constant, tables(design))),
        [rng.normal(size=(n_outcomes, 7)), rng.normal(size=5)],
        rng=rng,
        mode=mode,
    )


def test_a_table_of_the_design_that_is_data_can_be_set_anew():
    rng = np.random.default_rng(5)
    first, second = small_design(rng, 2), small_design(rng, 2)
    effects, latent = rng.normal(size=(2, 7)), rng.normal(size=5)
    with pm.Model() as model:
        data = [pm.Data(name, getattr(first, name)) for name in Design.__slots__]
        eta = Predictor()(pt.constant(effects), pt.constant(latent), *data)
        predict = model.compile_fn(eta, inputs=[], mode="NUMBA")
        before = predict({})
        pm.set_data({name: getattr(second, name) for name in Design.__slots__})
        after = predict({})
    again = pytensor.function(
        [], Predictor()(pt.constant(effects), pt.constant(latent), *tables(second))
    )
    assert np.abs(before - after).max() > 0.1
    np.testing.assert_allclose(after, again(), rtol=1e-12)
