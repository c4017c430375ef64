"""Loss rates against a library's quasi-binomial fit, and against the survey standard's words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from hypothesis import assume, given
from hypothesis import settings as rules
from hypothesis import strategies as st
from scipy import stats

from models.loss_rates import average_rate, overall_rate

CBPP = Path(__file__).parents[2].parent / "shared/open-data/lme4-reference-fits/cbpp.csv"


def library(lost: np.ndarray, at_risk: np.ndarray) -> tuple[float, float, tuple[float, float]]:
    """Quasi-binomial GLM with an intercept only: statsmodels, dispersion from Pearson's X².

    Shares weighted by their counts: given counts of both outcomes, statsmodels 0.15 leaves the
    numbers of trials out of X² (shares 0 of 1 and 1 of 2 have 0.75, it says 0.625).
    """
    family = sm.families.Binomial()
    model = sm.GLM(lost / at_risk, np.ones((len(lost), 1)), family=family, var_weights=at_risk)
    fitted = model.fit(scale="X2", tol=1e-12, maxiter=200)
    low, high = 1.0 / (1.0 + np.exp(-fitted.conf_int()[0]))
    return 1.0 / (1.0 + np.exp(-fitted.params[0])), fitted.scale, (low, high)


MEMBERS = st.lists(
    st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    min_size=2,
    max_size=40,
)


@given(MEMBERS)
@rules(max_examples=60, deadline=None)
def test_the_overall_rate_is_the_librarys_quasi_binomial_fit(members):
    lost, at_risk = np.array(members).T
    rate, dispersion, interval = overall_rate(lost, at_risk)
    assume(interval is not None and dispersion > 1e-6)
    expected = library(lost, at_risk)
    assert (rate, dispersion) == pytest.approx(expected[:2], rel=1e-6)
    assert interval == pytest.approx(expected[2], abs=1e-6)


@given(MEMBERS)
@rules(max_examples=60, deadline=None)
def test_the_average_rate_has_the_librarys_interval_of_a_mean(members):
    lost, at_risk = np.array(members).T
    rate, interval = average_rate(lost, at_risk)
    assume(interval is not None)
    shares = lost / at_risk
    low, high = stats.t.interval(0.95, len(shares) - 1, shares.mean(), stats.sem(shares))
    assert interval == pytest.approx((max(low, 0.0), min(high, 1.0)), abs=1e-9)
    assert rate == pytest.approx(shares.mean())


def test_the_standards_two_rates_differ_as_it_says():
    # van der Zee et al. 2013, J. Apic. Res. 52(4), section 10.3.2: the overall rate is ruled by
    # the larger beekeepers; the average of beekeepers' own rates is usually the higher one, with
    # many of them at zero. Invented counts of that kind; the arithmetic is by hand.
    lost = np.array([1, 0, 0, 2, 0, 10])
    at_risk = np.array([2, 3, 4, 4, 5, 100])
    assert overall_rate(lost, at_risk)[0] == pytest.approx(13 / 118)
    assert average_rate(lost, at_risk)[0] == pytest.approx((0.5 + 0 + 0 + 0.5 + 0 + 0.1) / 6)


def test_clusters_widen_the_interval_by_the_root_of_the_dispersion():
    # 20 members of 10, half of them at 60 % and half at none: far from one common rate.
    lost, at_risk = np.repeat([6, 0], 10), np.full(20, 10)
    _, dispersion, clustered = overall_rate(lost, at_risk)
    logit = [np.log(p / (1 - p)) for p in clustered]
    independent = 2 * 1.959964 / np.sqrt(200 * 0.3 * 0.7)
    # Pearson by hand: 20 members at (3)²/(10 × 0.21), over 19
    assert dispersion == pytest.approx(20 * 9 / 2.1 / 19)
    assert logit[1] - logit[0] == pytest.approx(np.sqrt(dispersion) * independent, rel=1e-6)


@pytest.mark.skipif(not CBPP.exists(), reason="open data (cbpp) are not beside the repository")
def test_real_clusters_agree_with_the_library():
    # Lesnoff et al. 2004: new cases of a cattle disease by herd, as shipped with lme4; here only
    # because its herds are clusters like members. 99 cases of 842.
    herds = pl.read_csv(CBPP).group_by("herd").agg(pl.col("incidence", "size").sum()).sort("herd")
    lost, at_risk = (herds[c].cast(pl.Int64).to_numpy() for c in ("incidence", "size"))
    rate, dispersion, interval = overall_rate(lost, at_risk)
    expected = library(lost, at_risk)
    assert (int(lost.sum()), int(at_risk.sum())) == (99, 842)
    assert (rate, dispersion) == pytest.approx(expected[:2], rel=1e-6)
    assert interval == pytest.approx(expected[2], abs=1e-6)
    assert dispersion > 1.5
