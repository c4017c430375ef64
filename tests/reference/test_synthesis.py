"""Random-effects synthesis against a published meta-analysis, a library and reference draws.

The BCG vaccine trials (Colditz and others 1994, JAMA 271:698-702): the 13 trials' counts and the
DerSimonian-Laird results for the log risk ratio (mean -0.7141, standard error 0.1787, τ² 0.3088,
Q 152.23 on 12 degrees of freedom, I² 92.12 %) are from memory, as the worked example of the
``metafor`` package's paper (Viechtbauer 2010, J. Stat. Softw. 36(3)) and manual gives them. Counts
and results confirm each other: with a wrong count the results would not come out.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from models.synthesis.normal_normal import half_normal, normal_normal
from models.synthesis.random_effects import moment_synthesis
from pipeline.errors import ModelError

# vaccinated: cases, others; not vaccinated: cases, others
BCG = np.array(
    [
        (4, 119, 11, 128),
        (6, 300, 29, 274),
        (3, 228, 11, 209),
        (62, 13536, 248, 12619),
        (33, 5036, 47, 5761),
        (180, 1361, 372, 1079),
        (8, 2537, 10, 619),
        (505, 87886, 499, 87892),
        (29, 7470, 45, 7232),
        (17, 1699, 65, 1600),
        (186, 50448, 141, 27197),
        (5, 2493, 3, 2338),
        (27, 16886, 29, 17825),
    ],
    dtype=float,
)
POSTERIORDB = Path(__file__).parents[2].parent / "shared/open-data/posteriordb"


def bcg() -> tuple[np.ndarray, np.ndarray]:
    """Log risk ratios and their standard errors."""
    a, b, c, d = BCG.T
    effect = np.log(a / (a + b)) - np.log(c / (c + d))
    return effect, np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


def test_the_bcg_trials_come_out_as_published() -> None:
    found = moment_synthesis(*bcg())
    assert found.mean == pytest.approx(-0.7141, abs=5e-5)
    assert found.se == pytest.approx(0.1787, abs=5e-5)
    assert found.tau2 == pytest.approx(0.3088, abs=5e-5)
    assert found.q == pytest.approx(152.2330, abs=5e-4)
    assert found.i2 == pytest.approx(92.12, abs=5e-3)


@pytest.mark.filterwarnings("ignore:`use_t=True` requires")
def test_moments_agree_with_statsmodels() -> None:
    effect, se = bcg()
    found = moment_synthesis(effect, se)
    theirs = combine_effects(effect, se**2, method_re="chi2", use_t=True)
    assert found.mean == pytest.approx(theirs.mean_effect_re, rel=1e-10)
    assert found.tau2 == pytest.approx(theirs.tau2, rel=1e-10)
    # their use_t limits are Hartung-Knapp's; here the ratio is above 1, so that nothing is floored
    table = theirs.summary_frame().loc["random effect wls"]
    assert found.lower == pytest.approx(table["ci_low"], rel=1e-6)
    assert found.upper == pytest.approx(table["ci_upp"], rel=1e-6)


def test_few_estimates_that_agree_are_not_taken_for_certain() -> None:
    found = moment_synthesis([1.0, 1.001], [0.5, 0.5])
    classic = stats.t.ppf(0.975, 1) * found.se
    assert found.upper - found.mean == pytest.approx(classic)
    assert np.isnan(found.predicted_lower)
    with pytest.raises(ModelError, match="at least two"):
        moment_synthesis([1.0], [0.5])
    with pytest.raises(ModelError, match="above zero"):
        moment_synthesis([1.0, 2.0], [0.5, 0.0])


def test_the_bayesian_synthesis_agrees_with_the_moments_where_there_is_much() -> None:
    effect, se = bcg()
    found = normal_normal(effect, se, half_normal(2.0), tau_reach=6.0)
    moments = moment_synthesis(effect, se)
    assert found.mean == pytest.approx(moments.mean, abs=0.02)
    assert found.quantile(0.025) == pytest.approx(moments.lower, abs=0.06)
    assert found.quantile(0.975) == pytest.approx(moments.upper, abs=0.06)
    assert found.predicted_quantile(0.025) < found.quantile(0.025)
    assert found.chance_above(0.0) < 0.01


@pytest.mark.skipif(
    not POSTERIORDB.exists(), reason="open data (posteriordb) are not beside the repository"
)
def test_eight_schools_agree_with_published_reference_draws() -> None:
    """μ ~ normal(0, 5), τ ~ half-Cauchy(0, 5): the reference's priors (posteriordb)."""
    data = json.loads((POSTERIORDB / "eight_schools.json").read_text())
    told = json.loads((POSTERIORDB / "eight_schools_noncentered_mean_value.json").read_text())
    reference = dict(zip(told["names"], told["mean_value"], strict=True))
    error = dict(zip(told["names"], told["mcse_mean"], strict=True))
    found = normal_normal(
        data["y"],
        data["sigma"],
        lambda tau: stats.halfcauchy.pdf(tau, scale=5.0),
        tau_reach=2000.0,
        mean_prior=(0.0, 5.0),
    )
    assert abs(found.mean - reference["mu"]) < 4 * error["mu"]
    assert abs(found.between_sd - reference["tau"]) < 4 * error["tau"]


def test_nothing_between_them_is_the_weighted_mean() -> None:
    """With τ held at 0 the answer is the inverse-variance mean, by hand."""
    effect, se = np.array([1.0, 2.0]), np.array([0.5, 1.0])
    found = normal_normal(effect, se, half_normal(1e-6), tau_reach=1e-5)
    assert found.mean == pytest.approx((4 * 1.0 + 1 * 2.0) / 5)
    half = (found.quantile(0.975) - found.quantile(0.025)) / 2
    assert half == pytest.approx(1.959964 / np.sqrt(5), rel=1e-5)
