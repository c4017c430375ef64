"""The joint model against a second one, written independently in NumPyro (numpyro_model.py).

Two rungs. At given parameters the two log densities may differ by a constant only, and the
standardised contrasts not at all: that is exact and quick. Sampled by two samplers (nutpie here,
NumPyro's NUTS there) from two parametrisations, the published table of the first must agree with
the second within Monte Carlo error (slow).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import arviz as az
import numpy as np
import pymc as pm
import pytensor.tensor as pt
import pytest
import xarray as xr

from models.data import Pool, pack_pool
from models.estimands import ALL, THESE, contrast_draws, pool_means
from models.fit import FitResult, fit
from models.geometry import coefficient_priors, winter_basis
from models.joint import build_joint_model
from models.predictor import layout_of
from models.priors import Priors
from models.simulate import Scenario, SimulatedPool, simulate_pool
from models.simulate_mites import Treatment
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL, by_information
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings
from tests.reference.numpyro_model import (
    WHO_AND_WHERE,
    check_carries_all,
    jax,
    joint_model,
    numpyro,
    standardise,
)

CONTRASTS = ("top vs none", "partial vs none", "full vs none", "full closed vs none")
GROUPINGS = (*WHO_AND_WHERE, "level-winter", "full at apiary")
POINTS = 6
FIRST = {"chains": 4, "tune": 700, "draws": 1200}
SECOND = {"num_chains": 4, "num_warmup": 500, "num_samples": 1500}

# our names of scalars that both have as they are
SAME = {
    "mite_load_mean": "load",
    "treatment_effect": "treatment",
    "treatment_type_sd": "sd of treatments",
    "treatment_type_z": "unit treatments",
    "treatment_regrowth": "regrowth",
    "mite_member_sd": "sd of member's load",
    "mite_member_z": "member's load",
    "mite_winter_effect": "winter's load",
    "mite_load_sd": "sd of load",
    "mite_load_z": "unit's load",
    "mite_growth": "growth",
    "treatment_efficacy": "efficacy",
    "sensitivity_logit": "logit of found share",
    "count_overdispersion": "overdispersion",
    "board_rate": "board rate",
    "board_overdispersion": "board overdispersion",
    "window_exponent": "exponent",
    "window_cold_slope": "colder window",
    "stores_cv": "cv",
    "strength_cv": "cv of frames",
}


@pytest.fixture(scope="module", autouse=True)
def double_precision():
    was = jax.config.jax_enable_x64
    numpyro.enable_x64(True)
    yield
    numpyro.enable_x64(was)


@pytest.fixture(scope="module")
def simulated() -> SimulatedPool:
    scenario = Scenario(
        n_members=12,
        colonies_per_apiary=3,
        confounding=0.5,
        treatments=(Treatment("formic acid", 1.0), Treatment("thymol", 0.5)),
        regrowth=0.2,
        missing={
            STORES: 0.2,
            SURVIVAL: 0.06,
            STRENGTH: 0.15,
            "mites": 0.4,
            "autumn strength": 0.1,
            "queen age": 0.2,
            "cold": 0.1,
        },
    )
    return simulate_pool(scenario, seed=21)


@pytest.fixture(scope="module")
def pool(simulated) -> Pool:
    packed = pack_pool(simulated.colony_winters, simulated.mite_samples, Settings())
    check_carries_all(packed)
    assert packed.n_units == 144
    return packed


@pytest.fixture(scope="module")
def varied(pool) -> Pool:
    """Every third count on a board, and windows colder than the winter: both by hand."""
    counts, rng = pool.mite_counts, np.random.default_rng(4)
    is_board = np.arange(len(counts.rows)) % 3 == 0
    boards = replace(
        counts,
        method=np.where(is_board, -1, counts.method),
        bees=np.where(is_board, np.nan, counts.bees),
        board_days=np.where(is_board, 7.0, np.nan),
    )
    return replace(pool, mite_counts=boards, window_cold=rng.normal(0.0, 0.5, pool.n_units))


def shapes_of_sites(pool: Pool) -> dict[str, tuple[int, ...]]:
    """Names and shapes of the second model's parameters."""

    def unobserved(key: Any) -> dict[str, Any]:
        seeded = numpyro.handlers.seed(joint_model, key)
        trace = numpyro.handlers.trace(seeded).get_trace(pool, Priors())
        sampled = {name: site for name, site in trace.items() if site["type"] == "sample"}
        return {name: site["value"] for name, site in sampled.items() if not site["is_observed"]}

    return {k: v.shape for k, v in jax.eval_shape(unobserved, jax.random.PRNGKey(0)).items()}


def random_point(shapes: dict[str, tuple[int, ...]], rng: np.random.Generator) -> dict[str, Any]:
    """Any point of the second model's parameters where no density under- or overflows."""
    positive = ("sd of", "cv", "overdispersion", "board")
    point = {}
    for name, shape in shapes.items():
        value = rng.normal(0.0, 0.02 if name == "growth" else 0.4, shape)
        if name == "correlation":
            lower = np.eye(3) + np.tril(value, -1)
            value = lower / np.linalg.norm(lower, axis=1, keepdims=True)
        elif name.startswith(positive):
            value = np.exp(value)
        elif "winter" in name and name not in ("unit level-winter", "unit apiary-winter"):
            value = value - value.mean(axis=-1, keepdims=True)
        point[name] = value
    return point


def in_our_order(lower: np.ndarray, unit: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Unit normals and partial correlations with survival last, and the log Jacobian.

    Effects are ``lower @ unit``. Their density is of the factor's elements, ours is of partial
    correlations. Both are taken to the correlations themselves: d correlation / d factor is
    sqrt(1 - r0^2), d correlation / d partials is sqrt((1 - r0^2) (1 - r1^2)), each in its order.
    """
    order = by_information(OUTCOMES)
    effects = (lower @ unit)[order]
    own = np.linalg.cholesky((lower @ lower.T)[np.ix_(order, order)])
    made = np.empty_like(unit)
    made[order] = np.linalg.solve(own, effects)
    r = np.array([own[1, 0], own[2, 0], own[2, 1] / np.sqrt(1.0 - own[2, 0] ** 2)])
    of_partials = 0.5 * np.log((1.0 - r[0] ** 2) * (1.0 - r[1] ** 2))
    return made, r, of_partials - 0.5 * np.log(1.0 - lower[1, 0] ** 2)


def as_ours(pool: Pool, theirs: dict[str, Any]) -> tuple[dict[str, np.ndarray], float]:
    """The same point in the first model's parameters, and the log Jacobian of the correlation.

    Coefficients that the second model does not have (autumn stores where they say nothing) are 0.
    """
    layout = layout_of(pool)
    n_outcomes = len(OUTCOMES)
    coefficient = np.zeros((n_outcomes, len(layout.coefficients)))
    above = pool.levels[1:]
    columns: dict[tuple[str, str], np.ndarray] = {
        ("intercept", ""): theirs["intercept"],
        ("top opening", ""): theirs["opening"],
        ("slope of", "mites"): theirs["slope of mites"],
        ("slope of", "autumn stores"): np.array([0.0, theirs["slope of autumn stores"], 0.0]),
    }
    for covariate in pool.covariates:
        columns["slope of", covariate.name] = theirs[f"slope of {covariate.name}"]
    steps = np.diff(theirs["level"], axis=1, prepend=0.0)
    for k, level in enumerate(above):
        columns["step to", level] = steps[:, k]
        columns["top opening at", level] = theirs["opening at level"][:, k]
        columns["cold at", level] = theirs["cold at level"][:, k]
    for k, share in enumerate(pool.shares):
        columns["member share", share] = theirs["member share"][:, k]
        columns["apiary share", share] = theirs["apiary share"][:, k]
    assert set(columns) == {(name, of) for name, _, of in layout.coefficients}
    for (name, of), values in columns.items():
        coefficient[:, layout.coefficient(name, of)] = values
    mu, sd = coefficient_priors(pool, layout, [Priors().outcomes[o] for o in OUTCOMES])

    assert list(layout.groupings) == list(GROUPINGS)
    groups = np.concatenate([theirs[f"unit {name}"] for name in GROUPINGS], axis=1)
    groups[:, : layout.n_correlated], r, jacobian = in_our_order(
        theirs["correlation"], groups[:, : layout.n_correlated]
    )
    winters = theirs["unit winter"] @ winter_basis(len(pool.winters))
    covariates = [*pool.covariates, pool.autumn_stores]
    unknown = [theirs[f"unknown {c.name}"] for c in covariates if (c.sd > 0).any()]
    point = {
        "standardised": np.concatenate([(coefficient - mu) / sd, groups, winters], axis=1),
        "spread": np.stack([theirs[f"sd of {name}"] for name in GROUPINGS]),
        "partial_correlation_unit": (r + 1.0) / 2.0,
        "covariate_z": np.concatenate(unknown),
    }
    point |= {our: theirs[their] for our, their in SAME.items() if their in theirs}
    return point, jacobian


def transformed(model: pm.Model, point: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The point as the compiled density takes it."""
    free = {v.name for v in model.free_RVs}
    assert set(point) == free, set(point) ^ free
    made = {}
    for variable in model.free_RVs:
        value_variable, transform = model.rvs_to_values[variable], model.rvs_to_transforms[variable]
        value = np.asarray(point[variable.name], dtype=float)
        if transform is not None:
            value = transform.forward(pt.as_tensor(value), *variable.owner.inputs).eval()
        made[value_variable.name] = value
    return made


@dataclass
class Points:
    """Random points as each implementation has them, and what each makes of them."""

    first: list[dict[str, np.ndarray]]
    first_density: np.ndarray
    second: list[dict[str, np.ndarray]]
    second_density: np.ndarray


@pytest.fixture(scope="module")
def points(varied) -> Points:
    model = build_joint_model(varied, is_rotated=False)
    names = ("coefficient", "group_effect", "winter_effect", "mite_load")
    derived = model.replace_rvs_by_values([model[name] for name in names])
    how = {"mode": "FAST_COMPILE", "on_unused_input": "ignore"}
    outputs = [model.logp(jacobian=False), *derived]
    of_first = model.compile_fn(outputs, inputs=model.value_vars, **how)

    @jax.jit
    def of_second(parameters: dict[str, Any]) -> tuple[Any, dict[str, Any]]:
        log_density = numpyro.infer.util.log_density
        density, trace = log_density(joint_model, (varied, Priors()), {}, parameters)
        sites = {name: s["value"] for name, s in trace.items() if s["type"] == "deterministic"}
        return density, sites

    shapes, rng = shapes_of_sites(varied), np.random.default_rng(8)
    made = Points([], np.zeros(POINTS), [], np.zeros(POINTS))
    for k in range(POINTS):
        parameters = random_point(shapes, rng)
        point, log_jacobian = as_ours(varied, parameters)
        density, *values = of_first(transformed(model, point))
        made.first_density[k] = density
        kept = {name: point[name] for name in ("covariate_z", "strength_cv", "spread")}
        made.first.append(kept | dict(zip(names, values, strict=True)))
        density, sites = of_second(parameters)
        made.second_density[k] = float(density) + log_jacobian
        made.second.append(parameters | {name: np.asarray(value) for name, value in sites.items()})
    return made


def test_log_densities_differ_by_a_constant(points):
    difference = points.first_density - points.second_density
    assert np.isfinite(difference).all()
    assert np.ptp(points.first_density) > 100.0  # the points lie far apart
    assert np.ptp(difference) < 1e-7 * np.abs(points.first_density).max(), difference


def test_standardised_contrasts_are_the_same(varied, points):
    dims = {
        name: ("chain", "draw", *(f"{name}_{k}" for k in range(np.ndim(value))))
        for name, value in points.first[0].items()
    }
    dims["spread"] = ("chain", "draw", "grouping", "outcome")
    posterior = xr.Dataset(
        {name: (dims[name], np.stack([p[name] for p in points.first])[None]) for name in dims},
        coords={"grouping": list(GROUPINGS)},
    )
    means = pool_means(varied, posterior, seed=1)
    stacked = {name: np.stack([p[name] for p in points.second]) for name in points.second[0]}
    second = standardise(varied, stacked)
    assert len(second) == 20
    for (outcome, contrast, measure), value in second.items():
        own = contrast_draws(varied, means, outcome, contrast, THESE, ALL)[measure]
        assert np.ptp(own) > 0
        np.testing.assert_allclose(value, own, rtol=1e-8, atol=1e-8)


@dataclass
class Sampled:
    """Draws of both implementations, shape (chain, draw), by name; and the published rows."""

    first: dict[str, np.ndarray]
    second: dict[str, np.ndarray]
    published: dict[str, tuple[float, float]]  # mean and sd of a contrast

    def compared(self) -> list[tuple[str, float, float]]:
        """Name, distance of the means in Monte Carlo errors, ratio of the sds less 1."""
        return [
            (
                name,
                abs(a.mean() - b.mean()) / np.hypot(az.mcse(a), az.mcse(b)),
                abs(a.std() / b.std() - 1.0),
            )
            for name, a in self.first.items()
            for b in [self.second[name]]
        ]


def parameters_of(first: xr.Dataset, second: dict[str, np.ndarray], pool: Pool) -> tuple:
    """Draws of coefficients and spreads of single colonies that both have, by our names."""
    ours, theirs = {}, {}
    steps = np.diff(second["level"], axis=-1, prepend=0.0)
    for o, outcome in enumerate(OUTCOMES):
        columns = {f"step to {level}": steps[..., o, k] for k, level in enumerate(pool.levels[1:])}
        columns["intercept"] = second["intercept"][..., o]
        columns["top opening"] = second["opening"][..., o]
        for name in ("mites", *(c.name for c in pool.covariates)):
            columns[f"slope of {name}"] = second[f"slope of {name}"][..., o]
        for term, values in columns.items():
            theirs[f"{outcome}: {term}"] = values
            ours[f"{outcome}: {term}"] = first["coefficient"].sel(outcome=outcome, term=term).values
    for name in (
        "mite_load_sd",
        "stores_cv",
        "strength_cv",
        "treatment_effect",
        "treatment_regrowth",
        "window_exponent",
    ):
        ours[name], theirs[name] = first[name].values, second[SAME[name]]
    return ours, theirs


def beside(result: FitResult, kept: dict[str, np.ndarray], pool: Pool) -> Sampled:
    """Put what the first fit left beside the second's draws, shape (chain, draw, ...)."""
    posterior = result.posterior["posterior"].ds
    first, second = parameters_of(posterior, kept, pool)
    means = pool_means(pool, posterior, seed=1)
    flat = {name: v.reshape(-1, *v.shape[2:]) for name, v in kept.items()}
    published = {}
    for (outcome, contrast, measure), draws in standardise(pool, flat).items():
        name = f"{outcome}: {contrast}, {measure}"
        own = contrast_draws(pool, means, outcome, contrast, THESE, ALL)[measure]
        first[name] = own.reshape(FIRST["chains"], -1)
        second[name] = draws.reshape(SECOND["num_chains"], -1)
        row = result.estimands.filter(
            outcome=outcome, contrast=contrast, measure=measure, subgroup=ALL, horizon=THESE
        ).row(0, named=True)
        published[name] = (row["mean"], row["sd"])
    return Sampled(first, second, published)


@pytest.fixture(scope="module")
def sampled(simulated, pool) -> Sampled:
    settings = Settings(model=ModelSettings(seed=7, retries=0, **FIRST))
    result = fit(simulated.colony_winters, simulated.mite_samples, settings, SILENT)
    assert result.has_converged, result.run["attempts"]
    kernel = numpyro.infer.NUTS(joint_model, target_accept_prob=0.8, max_tree_depth=8)
    sampler = numpyro.infer.MCMC(kernel, **SECOND, chain_method="sequential", progress_bar=False)
    sampler.run(jax.random.PRNGKey(3), pool, Priors())
    assert not sampler.get_extra_fields()["diverging"].any()
    kept = sampler.get_samples(group_by_chain=True)
    return beside(result, {name: np.asarray(draws) for name, draws in kept.items()}, pool)


@pytest.mark.slow
def test_two_samplers_agree_within_monte_carlo_error(sampled):
    assert all(float(az.rhat(draws)) < 1.02 for draws in sampled.second.values())
    compared = sampled.compared()
    assert len(compared) == 20 + 3 * 11 + 6
    assert not [row for row in compared if row[1] > 4.0]
    # a spread's own Monte Carlo error is larger where draws are fewer than of the contrasts
    assert not [row for row in compared if row[2] > (0.1 if "vs none" in row[0] else 0.2)]


@pytest.mark.slow
def test_published_table_is_the_second_ones_within_monte_carlo_error(sampled):
    assert len(sampled.published) == 20
    for name, (mean, sd) in sampled.published.items():
        draws = sampled.second[name]
        error = np.hypot(az.mcse(draws), az.mcse(sampled.first[name]))
        assert abs(mean - draws.mean()) < 4.0 * error, name
        assert sd == pytest.approx(draws.std(), rel=0.1), name
