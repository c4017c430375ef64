"""Densities against PyMC's own, and the likelihood of left-out records against brute force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pymc as pm
import pytest
import xarray as xr
from scipy import stats
from scipy.special import logsumexp

from models.data import pack_pool
from models.joint import build_joint_model
from models.left_out import MITES, LeavingOut
from models.log_likelihood import (
    count_log_density,
    gather_draws,
    log_likelihood,
    outcome_distribution,
    outcome_information,
    outcome_log_density,
)
from models.marginal import evaluate_records, log_marginal_density, predict_left_out
from models.priors import Priors
from models.simulate import Scenario, simulate_pool
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from tests.known_fit import PRIORS, SETTINGS, known_fit

OBSERVED = {
    STORES: "stores_use_kg",
    SURVIVAL: "is_alive",
    STRENGTH: "spring_frames",
    MITES: "mites_in_sample",
}


def test_densities_are_those_of_the_models_own_graph():
    study = simulate_pool(Scenario(n_members=5, colonies_per_apiary=3), 4)
    pool = pack_pool(study.colony_winters, study.mite_samples, SETTINGS)
    model = build_joint_model(pool, is_rotated=False)
    variables = [*model.free_RVs, *model.deterministics]
    densities = [
        pm.logp(model[name], model.rvs_to_values[model[name]]) for name in OBSERVED.values()
    ]
    with model:
        drawn = pm.draw([*variables, *densities], draws=3, mode="FAST_COMPILE", random_seed=1)
    data = {}
    for variable, values in zip(variables, drawn, strict=False):
        dims = model.named_vars_to_dims.get(variable.name)
        dims = dims or [f"{variable.name}_{k}" for k in range(values.ndim - 1)]
        data[variable.name] = (("chain", "draw", *dims), values[None])
    ours = log_likelihood(pool, gather_draws(xr.Dataset(data), 10), Priors())
    for name, theirs in zip(OBSERVED, drawn[len(variables) :], strict=True):
        np.testing.assert_allclose(ours[name], theirs, rtol=1e-6, atol=1e-6, err_msg=name)


def test_count_density_is_scipys():
    count, mean, phi = np.array([0, 3, 40]), np.array([0.4, 5.0, 20.0]), np.array([3.0, 10.0, 8.0])
    ours = count_log_density(count, np.log(mean), phi)
    np.testing.assert_allclose(ours, stats.nbinom.logpmf(count, phi, phi / (phi + mean)))


@pytest.mark.parametrize("outcome", [STORES, SURVIVAL, STRENGTH])
def test_information_is_the_variance_of_the_score(outcome):
    evidence = known_fit(3, n_draws=1)
    pool, draws = evidence.pool, evidence.draws
    rng, eta = np.random.default_rng(0), evidence.predictors[outcome][:, :1]
    seen = pool.observed[outcome]
    own = np.zeros(40_000, dtype=int)
    many = np.repeat(eta, len(own), axis=1)
    law = outcome_distribution(pool, draws, outcome, many, PRIORS, own)
    values = law.rvs(size=many.shape, random_state=rng)[0]
    wide = replace(seen, value=values.astype(float), error=np.full(len(own), seen.error[0]))
    drawn = replace(pool, observed={**pool.observed, outcome: wide})
    up, down = (outcome_log_density(drawn, draws, outcome, many + h, PRIORS) for h in (1e-4, -1e-4))
    score = (up - down)[0] / 2e-4
    ours = outcome_information(drawn, draws, outcome, many[:, :1], PRIORS, np.array([0]))[0, 0]
    assert ours == pytest.approx(score.var(), rel=0.06)


def test_left_out_likelihood_agrees_with_plain_monte_carlo():
    evidence = known_fit(5, n_draws=3)
    leaving = LeavingOut(evidence.pool, evidence.draws, PRIORS, evidence.predictors)
    rng = np.random.default_rng(2)
    checked = 0
    for unit in range(30):
        left = leaving.leave_out(np.array([unit]))
        if left.offset.shape[1] < 3:
            continue
        many = []
        for _ in range(4000):
            added = predict_left_out(leaving, left, rng)
            density = evaluate_records(leaving, left, leaving.draws, added)
            many.append(density.sum(axis=1))
        brute = logsumexp(np.concatenate(many)) - np.log(3 * len(many))
        # draws are copies of one another: Laplace's error is a few hundredths here
        assert log_marginal_density(leaving, left)[0] == pytest.approx(brute, abs=0.15)
        checked += 1
        if checked == 2:
            break
    assert checked == 2


def test_unknowns_shared_with_others_stay_and_own_ones_are_integrated():
    evidence = known_fit(6, n_draws=2)
    pool = evidence.pool
    leaving = LeavingOut(pool, evidence.draws, PRIORS, evidence.predictors)
    yard = leaving.leave_out(np.flatnonzero(pool.apiary == 0))
    whole = leaving.leave_out(np.flatnonzero(pool.member == pool.apiary_member[0]))
    predictor = evidence.predictors[STORES][:, yard.own[STORES]]
    np.testing.assert_allclose((yard.offset + yard.at)[:, yard.kinds[STORES]], predictor)
    # the member's effect is common to all their stores records, beyond what a yard shares
    between = np.ix_([0], *[np.arange(len(whole.own[STORES]))] * 2)
    spread = evidence.draws.values["spread"][0, 0, pool.outcomes.index(STORES)]
    assert whole.covariance[between].min() == pytest.approx(spread**2, rel=0.3)
    assert yard.covariance.shape[1] < whole.covariance.shape[1]
