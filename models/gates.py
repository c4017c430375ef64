"""Thresholds that a fit must pass before any number of it is shown. Never loosened to pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
import xarray as xr

from models.diagnostics import diagnostics

HEADLINE_R_HAT = 1.01
HEADLINE_ESS = 400.0
OTHER_R_HAT = 1.05
OTHER_ESS = 100.0
LEAST_E_BFMI = 0.3
# coefficients that the headline estimands rest on directly; all others are passed through them
RESTS_ON = ("intercept", "step to", "top opening", "cold at")

GATES_SCHEMA = {
    "quantity": pl.String,
    "is_headline": pl.Boolean,
    "r_hat": pl.Float64,
    "ess_bulk": pl.Float64,
    "ess_tail": pl.Float64,
    "passed": pl.Boolean,
    "threshold": pl.String,
}


@dataclass(frozen=True, slots=True)
class Gates:
    """Every gate of one fit: the table of ``gates.csv`` and whether all passed."""

    table: pl.DataFrame

    @classmethod
    def none(cls) -> Gates:
        """Return the gates of a fit that had nothing to sample."""
        return cls(pl.DataFrame(schema=GATES_SCHEMA))

    @property
    def has_passed(self) -> bool:
        """Whether every gate passed."""
        return bool(self.table["passed"].all())

    @property
    def failures(self) -> list[str]:
        """Quantities that did not pass."""
        return self.table.filter(~pl.col("passed"))["quantity"].to_list()


def _labels(name: str, values: xr.DataArray) -> list[str]:
    """Names of the elements, in C order of the dimensions after chain and draw."""
    dims = [d for d in values.dims if d not in ("chain", "draw")]
    labels = [""]
    for dim in dims:
        names = [str(v) for v in values[dim].values]
        labels = [f"{a}, {b}" if a else b for a in labels for b in names]
    return [f"{name}[{label}]" if label else name for label in labels]


def diagnose(name: str, values: xr.DataArray, *, is_headline: bool) -> list[dict]:
    """Judge every element of a quantity.

    Parameters
    ----------
    name : str
    values : xarray.DataArray, dims (chain, draw, ...)
    is_headline : bool
        Judge by the strict thresholds.

    Returns
    -------
    list of dict
        Rows of ``gates.csv``. A diagnostic that is not a number (a constant, an overflow)
        fails.
    """
    r_hat_limit, ess_limit = (
        (HEADLINE_R_HAT, HEADLINE_ESS) if is_headline else (OTHER_R_HAT, OTHER_ESS)
    )
    dims = ("chain", "draw", *[d for d in values.dims if d not in ("chain", "draw")])
    ordered = values.transpose(*dims)
    array = ordered.values.reshape(*ordered.shape[:2], -1)
    r_hat, bulk, tail = diagnostics(array)
    threshold = f"R-hat < {r_hat_limit}, ESS > {ess_limit:.0f}"
    return [
        {
            "quantity": label,
            "is_headline": is_headline,
            "r_hat": float(r),
            "ess_bulk": float(b),
            "ess_tail": float(t),
            # comparisons with NaN are false: not a number fails
            "passed": bool(r < r_hat_limit and b > ess_limit and t > ess_limit),
            "threshold": threshold,
        }
        for label, r, b, t in zip(_labels(name, ordered), r_hat, bulk, tail, strict=True)
    ]


def least_bfmi(sample_stats: xr.Dataset) -> float:
    """Least Bayesian fraction of missing information of all chains.

    References
    ----------
    Betancourt (2016), "Diagnosing suboptimal cotangent disintegrations in Hamiltonian Monte
    Carlo", arXiv:1604.00695.
    """
    import arviz as az

    tree = xr.DataTree.from_dict({"sample_stats": sample_stats[["energy"]]})
    return float(np.min(az.bfmi(tree)["energy"].values))


def judge(
    posterior: xr.Dataset,
    sample_stats: xr.Dataset,
    free: list[str],
    headline: dict[str, xr.DataArray],
) -> Gates:
    """Judge a fit.

    Parameters
    ----------
    posterior : xarray.Dataset, dims (chain, draw, ...)
    sample_stats : xarray.Dataset
        ``diverging`` and ``energy``, dims (chain, draw).
    free : list of str
        Free variables of the model; derived ones are not judged.
    headline : dict of str to xarray.DataArray
        Draws of every estimand that would be shown.

    Returns
    -------
    Gates
    """
    blank = {"is_headline": True, "r_hat": None, "ess_bulk": None, "ess_tail": None}
    divergences = int(sample_stats["diverging"].values.sum())
    least = least_bfmi(sample_stats)
    rows = [
        {"quantity": f"divergences: {divergences}"}
        | blank
        | {"passed": divergences == 0, "threshold": "none"},
        {"quantity": f"E-BFMI, least of all chains: {least:.2f}"}
        | blank
        | {"passed": bool(least > LEAST_E_BFMI), "threshold": f"> {LEAST_E_BFMI}"},
    ]
    for name, values in headline.items():
        rows += diagnose(name, values, is_headline=True)
    for name in free:
        values = posterior[name]
        if name == "coefficient":
            is_headline = np.array([str(t).startswith(RESTS_ON) for t in values["term"].values])
            rows += diagnose(name, values.isel(term=is_headline), is_headline=True)
            values = values.isel(term=~is_headline)
        if values.size:
            rows += diagnose(name, values, is_headline=False)
    return Gates(pl.DataFrame(rows, schema=GATES_SCHEMA))
