"""The sampler's coordinates: the same model, and a rounder posterior.

Both are checked on small invented pools, by densities and by linear algebra, without sampling.
"""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytest

from models.data import pack_pool
from models.geometry import coefficient_priors, rotation_of, winter_basis
from models.joint import build_joint_model, terms_of
from models.predictor import layout_of
from models.priors import Priors
from models.simulate import Scenario, simulate_pool
from pipeline.settings import Settings


@pytest.fixture(scope="module")
def pool():
    made = simulate_pool(Scenario(n_members=8, colonies_per_apiary=4), 3)
    return pack_pool(made.colony_winters, made.mite_samples, Settings())


@pytest.fixture(scope="module")
def rotation(pool):
    layout = layout_of(pool)
    return rotation_of(pool, layout, terms_of(pool, layout), Priors())


def density(model: pm.Model, point: dict) -> float:
    terms = model.compile_fn(model.logp(sum=False), mode="FAST_COMPILE")(point)
    return float(sum(np.sum(term) for term in terms))


@pytest.mark.parametrize("most_rotated", [120, 40])
def test_the_rotated_model_is_the_plain_model_in_other_coordinates(pool, most_rotated, monkeypatch):
    """Log densities differ by one constant, the log determinant of the maps, at every point."""
    monkeypatch.setattr("models.geometry.MOST_ROTATED", most_rotated)
    layout, priors = layout_of(pool), Priors()
    rotation = rotation_of(pool, layout, terms_of(pool, layout), priors)
    plain, rotated = (build_joint_model(pool, is_rotated=flag) for flag in (False, True))
    rng = np.random.default_rng(4)
    differences = []
    for _ in range(3):
        start = rotated.initial_point()
        at = {name: v + 0.3 * rng.normal(size=np.shape(v)) for name, v in start.items()}
        moved, rest = at["rotated"], at.get("rest", np.zeros((len(pool.outcomes), 0)))
        n = moved.shape[1] + rest.shape[1]
        u = np.empty((len(pool.outcomes), n))
        u[:, rotation.rotated] = rotation.centre + np.einsum("okl,ol->ok", rotation.factor, moved)
        u[:, rotation.rest] = rest
        for grouping, mirror in rotation.mirrors.items():
            own = u[:, layout.groups(grouping)]
            own -= 2.0 * np.outer(own @ mirror, mirror)
        same = {k: v for k, v in at.items() if k not in ("rotated", "rest")} | {"standardised": u}
        differences.append(density(plain, same) - density(rotated, at))
    # the plain density holds the normalising constants of as many unit normals
    constant = -0.5 * np.log(2 * np.pi) * len(pool.outcomes) * n
    np.testing.assert_allclose(differences, constant, rtol=1e-9)


def test_the_factor_is_the_root_of_the_approximate_posterior_covariance(pool, rotation):
    """Least squares with unit normal priors, written out: (I + X'X)^-1, for stores use."""
    layout, terms = layout_of(pool), terms_of(pool, layout_of(pool))
    covariance = rotation.factor[0] @ rotation.factor[0].T
    assert np.all(np.linalg.eigvalsh(covariance) < 1 + 1e-9)  # records only narrow a prior
    at = layout.coefficient("intercept")
    seen = pool.observed["stores use"]
    assert terms["stores use"].fixed[seen.rows, at].all()
    # so many ledgers tell the average far better than its prior does
    assert covariance[at, at] < 0.05
    unused = layout.coefficient("slope of", "autumn stores")  # speaks to survival only
    assert covariance[unused, unused] == pytest.approx(1.0)


def test_effects_beyond_the_limit_are_left_as_they_are(pool, monkeypatch):
    monkeypatch.setattr("models.geometry.MOST_ROTATED", 40)
    layout = layout_of(pool)
    made = rotation_of(pool, layout, terms_of(pool, layout), Priors())
    assert len(made.rotated) <= 40 < len(made.rotated) + len(made.rest)
    assert set(made.rotated) >= set(range(len(layout.coefficients)))
    together = np.sort(np.concatenate([made.rotated, made.rest]))
    np.testing.assert_array_equal(together, np.arange(len(together)))


def test_a_mirror_maps_the_mean_of_a_grouping_to_its_first_place(pool, monkeypatch):
    """The mean weighs groups by their units: it is what trades off with the intercept."""
    layout = layout_of(pool)
    monkeypatch.setattr("models.geometry.MOST_ROTATED", len(layout.coefficients) + 10)
    made = rotation_of(pool, layout, terms_of(pool, layout), Priors())
    place, mirror = layout.groups("apiary"), made.mirrors["apiary"]
    np.testing.assert_allclose(mirror @ mirror, 1.0)
    first = np.zeros(len(mirror))
    first[0] = 1.0
    units = np.bincount(pool.apiary)
    mean = first - 2.0 * mirror[0] * mirror
    np.testing.assert_allclose(mean, units / np.linalg.norm(units), atol=1e-12)
    assert place.start in made.rotated
    assert not set(range(place.start + 1, place.stop)) & set(made.rotated)


@pytest.mark.parametrize("n", [2, 3, 7])
def test_the_winter_basis_is_orthonormal_and_sums_to_zero(n):
    basis = winter_basis(n)
    np.testing.assert_allclose(basis.T @ basis, np.eye(n - 1), atol=1e-12)
    np.testing.assert_allclose(basis.sum(axis=0), 0.0, atol=1e-12)


def test_the_prior_scales_stand_in_the_outcomes_own_units(pool):
    layout, priors = layout_of(pool), Priors()
    chosen = [priors.outcomes[o] for o in pool.outcomes]
    mu, sd = coefficient_priors(pool, layout, chosen)
    at = layout.coefficient("intercept")
    assert mu[:, at].tolist() == [p.intercept_mu for p in chosen]
    assert np.count_nonzero(mu) == len(chosen)
    assert sd[:, layout.coefficient("step to", "full")].tolist() == [
        p.level_step_sd for p in chosen
    ]
