"""The cut model: what is left out of it, by densities, and how draws of several fits are joined."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytest

from models.data import pack_pool
from models.joint import build_joint_model, build_mite_model
from models.refits.base import BUDGET, Records, estimated_row
from models.refits.cut import cut_variation
from models.refits.sampling import NO_MITES, refit_pool
from models.simulate import Scenario, simulate_pool
from pipeline.errors import ModelError
from pipeline.progress import SILENT
from pipeline.settings import Settings


@pytest.fixture(scope="module")
def made():
    return simulate_pool(Scenario(n_members=8, colonies_per_apiary=4), 3)


@pytest.fixture(scope="module")
def pool(made):
    return pack_pool(made.colony_winters, made.mite_samples, Settings())


def density(model: pm.Model, point: dict) -> float:
    own = {variable.name: point[variable.name] for variable in model.value_vars}
    terms = model.compile_fn(model.logp(sum=False), mode="FAST_COMPILE")(own)
    return float(sum(np.sum(term) for term in terms))


def test_the_cut_splits_the_joint_density_in_two(pool):
    """log p(all) = log p(mites, counts) + log p(outcomes given the loads), at any point."""
    joint, mites = build_joint_model(pool), build_mite_model(pool)
    rng = np.random.default_rng(4)
    for _ in range(2):
        start = joint.initial_point()
        at = {name: v + 0.2 * rng.normal(size=np.shape(v)) for name, v in start.items()}
        own = {variable.name: at[variable.name] for variable in mites.value_vars}
        [load] = mites.replace_rvs_by_values([mites["mite_load"]])
        loads = load.eval({v: own[v.name] for v in mites.value_vars if v in ancestors_of(load)})
        rest = build_joint_model(pool, given_load=loads)
        assert {v.name for v in rest.value_vars}.isdisjoint(own)
        whole = density(joint, at)
        assert whole == pytest.approx(density(mites, at) + density(rest, at), rel=1e-9)


def ancestors_of(variable) -> set:
    from pytensor.graph.traversal import ancestors

    return set(ancestors([variable]))


def test_fits_that_differ_from_each_other_are_judged_one_by_one():
    """Between sets of loads the answer may differ; the chains of one set may not."""
    rng = np.random.default_rng(1)
    sets = [rng.normal(centre, 1.0, (2, 500)) for centre in (0.0, 4.0)]
    row = estimated_row("survival", np.concatenate(sets).ravel(), 2, 100, n_fits=2)
    assert row["status"] == "estimated"
    assert row["mean"] == pytest.approx(2.0, abs=0.15)
    assert row["sd"] == pytest.approx(np.sqrt(1.0 + 4.0), abs=0.1)  # within and between
    as_one_fit = estimated_row("survival", np.concatenate(sets, axis=1).ravel(), 2, 100)
    assert as_one_fit["status"] == "not converged"
    apart = np.concatenate([sets[0], np.stack([sets[1][0], sets[1][1] + 9.0])])
    assert estimated_row("survival", apart.ravel(), 2, 100, n_fits=2)["status"] == "not converged"


def test_without_mites_in_the_model_there_is_nothing_to_cut(made):
    pool = pack_pool(made.colony_winters, made.mite_samples.clear(), Settings())
    records = Records(made.colony_winters, made.mite_samples.clear())
    rows, _ = refit_pool(
        cut_variation(),
        pool,
        records,
        Settings(),
        "full vs none",
        BUDGET,
        SILENT,
        is_shared=False,
    )
    assert {row["reason"] for row in rows} == {NO_MITES}
    with pytest.raises(ModelError, match="Mites are not in the model"):
        build_mite_model(pool)
