"""Eight schools through our predictor and sampler, against published reference draws.

Rubin (1981), J. Educ. Stat. 6:377-401. Reference draws: posteriordb (Magnusson et al.,
arXiv:2407.04967, from memory), ``eight_schools_noncentered``: 10 chains of 1,000 draws, thinned
from 10,000, that passed their diagnostics. Model: y ~ normal(theta, sigma), theta = mu + tau z,
z ~ normal(0, 1), mu ~ normal(0, 5), tau ~ half-Cauchy(0, 5): the reference's priors, not ours.
"""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import arviz as az
import numpy as np
import nutpie
import pymc as pm
import pytensor.tensor as pt
import pytest
import xarray as xr

from models.gates import diagnose
from tests.plain_terms import plain_terms, predictor_of

FOLDER = Path(__file__).parents[2].parent / "shared/open-data/posteriordb"
pytestmark = pytest.mark.skipif(
    not FOLDER.exists(), reason="open data (posteriordb) are not beside the repository"
)
NAMES = ("mu", "tau", *(f"theta[{k}]" for k in range(1, 9)))
WITHIN = 3.5  # joint Monte Carlo errors; of 20 independent comparisons one in 100 sets has more


@pytest.fixture(scope="module")
def reference() -> dict[str, np.ndarray]:
    """Draws by quantity, shape (chain, draw)."""
    with zipfile.ZipFile(FOLDER / "eight_schools_noncentered_reference_draws.json.zip") as packed:
        [name] = packed.namelist()
        chains = json.loads(packed.read(name))
    return {name: np.array([chain[name] for chain in chains]) for name in NAMES}


@pytest.fixture(scope="module")
def sampled() -> tuple[dict[str, np.ndarray], int]:
    """Our draws by quantity, shape (chain, draw), and the number of divergences."""
    data = json.loads((FOLDER / "eight_schools.json").read_text())
    school = np.arange(data["J"])
    terms = plain_terms(np.ones((data["J"], 1)), 1 + school[:, None], np.ones((data["J"], 1)))
    with pm.Model(check_bounds=False) as model:
        mu = pm.Normal("mu", 0.0, 5.0)
        tau = pm.HalfCauchy("tau", 5.0)
        z = pm.Normal("z", shape=data["J"])
        effects = pt.concatenate([mu[None], tau * z])
        theta = pm.Deterministic("theta", predictor_of(effects, terms))
        pm.Normal("y", theta, np.array(data["sigma"]), observed=np.array(data["y"]))
    tree = nutpie.sample(
        nutpie.compile_pymc_model(model),
        draws=4000,
        tune=1500,
        chains=4,
        cores=2,
        seed=5,
        target_accept=0.98,
        progress_bar=False,
    )
    post = tree["posterior"].ds
    draws = {"mu": post["mu"].values, "tau": post["tau"].values}
    draws |= {f"theta[{k + 1}]": post["theta"].values[..., k] for k in school}
    return draws, int(tree["sample_stats"].ds["diverging"].sum())


def error(values: np.ndarray, what: str) -> float:
    """Monte Carlo error of a mean or a standard deviation."""
    return float(az.mcse(values, method=what))


def test_the_reference_draws_are_those_published(reference):
    published = json.loads((FOLDER / "eight_schools_noncentered_mean_value.json").read_text())
    for name, mean in zip(published["names"], published["mean_value"], strict=True):
        assert reference[name].mean() == pytest.approx(mean, abs=1e-6)


def test_the_fit_passes_our_strict_gates(sampled):
    draws, divergences = sampled
    assert divergences == 0
    for name in NAMES:
        [row] = diagnose(name, xr.DataArray(draws[name], dims=("chain", "draw")), is_headline=True)
        assert row["passed"], row


@pytest.mark.parametrize("what", ["mean", "sd"])
@pytest.mark.parametrize("name", NAMES)
def test_means_and_spreads_agree_within_monte_carlo_error(reference, sampled, name, what):
    ours, theirs = sampled[0][name], reference[name]
    of = np.mean if what == "mean" else np.std
    allowed = WITHIN * np.hypot(error(ours, what), error(theirs, what))
    assert abs(of(ours) - of(theirs)) < allowed
    # and the errors are small enough for this to mean something
    assert allowed < 0.1 * np.std(theirs)
