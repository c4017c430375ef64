"""Fitting: retries, what is written, and what a pool without a question gets.

The sampler is replaced by independent draws from the prior, so that the wiring is tested
without compiling; ``tests/recovery`` runs the real one.
"""

from __future__ import annotations

import json

import numpy as np
import polars as pl
import pymc as pm
import pytest
import xarray as xr

from models import fit as fitting
from models.joint import build_joint_model
from models.simulate import Scenario, simulate_pool
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings
from tests.fit_files import FIT_FILES


@pytest.fixture(scope="module")
def simulated():
    return simulate_pool(Scenario(n_members=5, colonies_per_apiary=4, n_winters=1), 3)


def tree_of(pool, seed: int, shift: float = 0.0) -> xr.DataTree:
    """Independent prior draws, 4 chains of 400; ``shift`` moves one chain's coefficients."""
    model = build_joint_model(pool, is_rotated=False)
    variables = [*model.free_RVs, *model.deterministics]
    with model:
        drawn = pm.draw(variables, draws=1600, mode="FAST_COMPILE", random_seed=seed)
    data = {}
    for variable, values in zip(variables, drawn, strict=True):
        dims = model.named_vars_to_dims.get(variable.name) or [
            f"{variable.name}_{k}" for k in range(values.ndim - 1)
        ]
        chains = values.reshape(4, 400, *values.shape[1:])
        if variable.name == "coefficient":
            chains[0] += shift
        data[variable.name] = (("chain", "draw", *dims), chains)
    used = {d for dims, _ in data.values() for d in dims}
    coords = {k: list(v) for k, v in model.coords.items() if v is not None and k in used}
    rng = np.random.default_rng(seed)
    stats = xr.Dataset(
        {
            "diverging": (("chain", "draw"), np.zeros((4, 400), dtype=bool)),
            "energy": (("chain", "draw"), rng.normal(size=(4, 400))),
            "divergence_message": (("chain", "draw"), np.full((4, 400), None)),
        }
    )
    return xr.DataTree.from_dict({"posterior": xr.Dataset(data, coords), "sample_stats": stats})


@pytest.fixture
def sampler(monkeypatch):
    """Replace compiling and sampling; each attempt takes the next tree."""
    seen: list[dict] = []

    def use(*shifts: float):
        waiting = list(shifts)

        class Stub:
            """Compiled functions whose every sample is the next tree."""

            def __init__(self, pool, **_):
                self.pool = pool
                self.judged = ["coefficient", "spread", "group_effect", "mite_load_mean"]

            def sample(self, chosen, progress):
                seen.append(chosen)
                return tree_of(self.pool, seed=1, shift=waiting.pop(0))

        monkeypatch.setattr(fitting, "compile_pool", Stub)
        return seen

    return use


def settings(**model) -> Settings:
    return Settings(model=ModelSettings(chains=4, minimum_colonies=5, **model))


def test_a_failed_gate_makes_fit_try_again_with_more_draws(simulated, sampler, tmp_path):
    seen = sampler(3.0, 0.0)
    result = fitting.fit(
        simulated.colony_winters,
        simulated.mite_samples,
        settings(retries=2, draws=1000, tune=1000),
        SILENT,
    )
    assert result.has_converged
    assert [(s["draws"], s["tune"], s["target_accept"], s["seed"]) for s in seen] == [
        (1000, 1000, 0.9, 20240),
        (2000, 2000, 0.95, 20241),
    ]
    assert [a["step"] for a in result.run["attempts"]] == ["compile", "attempt 1", "attempt 2"]
    assert result.run["attempts"][1]["failed_gates"] > 0
    fitting.write_results(result, tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*FIT_FILES, "posterior.nc"])
    assert json.loads((tmp_path / "run.json").read_text())["has_converged"] is True


def test_large_pools_are_sampled_in_longer_steps_and_retried_in_shorter_ones():
    model = ModelSettings()
    small, large = (fitting._attempt_settings(model, n, 0) for n in (1_000, 1_001))
    assert (small["target_accept"], large["target_accept"]) == (0.9, 0.7)
    assert small["draws"] == large["draws"]
    assert fitting._attempt_settings(model, 1_001, 1)["target_accept"] == pytest.approx(0.85)


def test_when_the_budget_is_spent_no_number_is_shown(simulated, sampler):
    seen = sampler(3.0, 3.0)
    result = fitting.fit(
        simulated.colony_winters, simulated.mite_samples, settings(retries=1), SILENT
    )
    assert len(seen) == 2
    assert not result.has_converged
    assert set(result.estimands["status"]) == {"not converged", "cannot be estimated"}
    assert result.estimands["mean"].null_count() == result.estimands.height
    assert result.level_means["mean"].null_count() == result.level_means.height
    assert result.level_means["raw"].null_count() < result.level_means.height


def test_without_a_question_nothing_is_sampled_and_every_row_says_why(
    simulated, monkeypatch, tmp_path
):
    def never(*_, **__):
        raise AssertionError("sampled although nothing can be estimated")

    monkeypatch.setattr(fitting, "compile_pool", never)
    one_level = simulated.colony_winters.with_columns(level=pl.lit("none"))
    result = fitting.fit(one_level, simulated.mite_samples, Settings(), SILENT)
    assert set(result.estimands["status"]) == {"cannot be estimated"}
    assert (
        result.estimands["reason"].str.starts_with("Cannot be estimated from these records").all()
    )
    fitting.write_results(result, tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == FIT_FILES
    read = pl.read_csv(tmp_path / "estimands.csv")
    assert read.columns[:7] == [
        "outcome",
        "contrast",
        "measure",
        "unit",
        "subgroup",
        "horizon",
        "population",
    ]
    assert read["mean"].null_count() == read.height


def test_unlinked_members_get_reasons_though_both_levels_are_recorded(monkeypatch):
    monkeypatch.setattr(fitting, "compile_pool", lambda *_: pytest.fail("sampled"))
    made = simulate_pool(Scenario(n_members=12, is_linked=False, confounding=1.0), 2)
    result = fitting.fit(made.colony_winters, made.mite_samples, Settings(), SILENT)
    assert not result.links["is_linked"].any()
    reasons = result.estimands.filter(outcome="survival")["reason"]
    assert reasons.str.contains("link|used both").all()


def test_no_units_at_all(simulated, tmp_path):
    result = fitting.fit(
        simulated.colony_winters.clear(), simulated.mite_samples.clear(), Settings(), SILENT
    )
    fitting.write_results(result, tmp_path)
    assert set(result.estimands["status"]) == {"cannot be estimated"}
    assert result.level_means["n_raw"].sum() == 0
