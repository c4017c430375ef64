"""Gates: thresholds on both sides, and what is not a number."""

from __future__ import annotations

import arviz as az
import numpy as np
import polars as pl
import pytest
import xarray as xr

from models.diagnostics import diagnostics
from models.gates import diagnose, judge, least_bfmi


def draws(values: np.ndarray, *dims: str) -> xr.DataArray:
    return xr.DataArray(values, dims=("chain", "draw", *dims))


@pytest.fixture
def white() -> np.ndarray:
    return np.random.default_rng(5).normal(size=(4, 1000))


def stats(diverging: int = 0, energy_step: float = 1.0) -> xr.Dataset:
    rng = np.random.default_rng(1)
    flags = np.zeros((4, 1000), dtype=bool)
    flags[0, :diverging] = True
    energy = rng.normal(size=(4, 1000))
    if energy_step < 1.0:
        energy = np.cumsum(energy, axis=1)
    return xr.Dataset(
        {"diverging": (("chain", "draw"), flags), "energy": (("chain", "draw"), energy)}
    )


def test_independent_draws_pass_both_thresholds(white):
    for is_headline in (True, False):
        (row,) = diagnose("x", draws(white), is_headline=is_headline)
        assert row["passed"]


def test_a_shifted_chain_fails_the_headline_threshold_first(white):
    shifted = white.copy()
    shifted[0] += 0.45
    strict = diagnose("x", draws(shifted), is_headline=True)[0]
    loose = diagnose("x", draws(shifted), is_headline=False)[0]
    assert 1.01 < strict["r_hat"] < 1.05
    assert not strict["passed"]
    assert loose["passed"]


def test_slow_draws_fail_by_effective_sample_size():
    rng = np.random.default_rng(2)
    slow = np.zeros((4, 1000))
    for t in range(1, 1000):
        slow[:, t] = 0.9 * slow[:, t - 1] + rng.normal(size=4)
    strict = diagnose("x", draws(slow), is_headline=True)[0]
    assert 100 < strict["ess_bulk"] < 400
    assert not strict["passed"]


def test_a_constant_or_not_a_number_fails(white):
    assert not diagnose("x", draws(np.ones((4, 100))), is_headline=False)[0]["passed"]
    broken = white.copy()
    broken[2, 3] = np.nan
    assert not diagnose("x", draws(broken), is_headline=False)[0]["passed"]


def test_rows_bear_the_labels_of_their_own_elements(white):
    """The rows' order is checked with one bad element in a two-dimensional quantity."""
    values = np.repeat(white[:, :, None, None], 2, axis=2).repeat(3, axis=3)
    values = values + np.random.default_rng(3).normal(size=values.shape)
    values[0, :, 1, 0] += 5.0
    array = draws(values, "level", "outcome").assign_coords(
        level=["none", "full"], outcome=["a", "b", "c"]
    )
    failed = [r["quantity"] for r in diagnose("x", array, is_headline=False) if not r["passed"]]
    assert failed == ["x[full, a]"]


def test_diagnostics_against_the_reference_library():
    """R-hat, bulk and tail ESS of slow, antithetic and shifted chains, as ArviZ computes them."""
    draws_ = np.random.default_rng(0).normal(size=(4, 401, 300))
    for t in range(1, 401):
        draws_[:, t] += np.linspace(-0.6, 0.97, 300) * draws_[:, t - 1]
    draws_[0] += np.linspace(0.0, 0.5, 300)
    data = draws(draws_, "k").to_dataset(name="q")
    r_hat, bulk, tail = diagnostics(draws_)
    np.testing.assert_allclose(r_hat, az.rhat(data)["q"].values, rtol=1e-9)
    np.testing.assert_allclose(bulk, az.ess(data, method="bulk")["q"].values, rtol=1e-9)
    reference = az.ess(data, method="tail", prob=(0.05, 0.95))["q"].values
    np.testing.assert_allclose(tail, reference, rtol=1e-9)


def test_coefficients_of_level_and_opening_are_judged_strictly(white):
    values = draws(white[..., None].repeat(3, axis=2), "term").assign_coords(
        term=["step to full", "slope of cold", "top opening at full"]
    )
    table = judge(xr.Dataset({"coefficient": values}), stats(), ["coefficient"], {}).table
    strict = table.filter(pl.col("quantity").str.starts_with("coefficient"))
    assert dict(strict.select("quantity", "is_headline").iter_rows()) == {
        "coefficient[step to full]": True,
        "coefficient[top opening at full]": True,
        "coefficient[slope of cold]": False,
    }


def test_energy_fraction_of_known_energies():
    """White energy has a fraction of 2 by its definition; the least chain counts."""
    white = np.random.default_rng(4).normal(size=(2, 20_000))
    both = xr.Dataset({"energy": (("chain", "draw"), white)})
    assert least_bfmi(both) == pytest.approx(2.0, abs=0.05)
    slow = np.stack([white[0], np.cumsum(white[1])])
    assert least_bfmi(xr.Dataset({"energy": (("chain", "draw"), slow)})) < 0.01


@pytest.mark.parametrize(
    ("sample_stats", "failure"),
    [
        (stats(diverging=1), "divergences: 1"),
        (stats(energy_step=0.1), "E-BFMI, least of all chains: 0.0"),
    ],
)
def test_one_divergence_or_little_energy_fails_the_fit(white, sample_stats, failure):
    gates = judge(xr.Dataset({"a": draws(white)}), sample_stats, ["a"], {"h": draws(white)})
    assert not gates.has_passed
    assert gates.failures[0].startswith(failure)
    assert judge(xr.Dataset({"a": draws(white)}), stats(), ["a"], {"h": draws(white)}).has_passed
