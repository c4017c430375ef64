"""Hierarchical pieces against published lme4 fits: sleepstudy (Gaussian) and cbpp (binomial).

Bates, Mächler, Bolker, Walker (2015), "Fitting linear mixed-effects models using lme4", J. Stat.
Softw. 67(1), doi:10.18637/jss.v067.i01; estimates from the package's reference pages (read). Data:
Belenky et al. (2003), J. Sleep Res. 12:1-12; Lesnoff et al. (2004), Prev. Vet. Med. 63:113-127.

A ladder, so that no step has to be believed:

1. an exact marginal likelihood, written here with NumPy alone, is largest where lme4 says;
2. the same likelihood with the model's priors, integrated by quasi-Monte Carlo, gives the exact
   posterior means; their distance to lme4's estimates is the prior's pull (and what a mean
   differs from a mode), stated and bounded;
3. the project's own pieces (``Terms``, ``sampled_predictor``, ``add_spread``, ``correlate``, groups
   non-centred, nutpie) sample within two Monte Carlo errors plus that pull of lme4, and within
   four Monte Carlo errors of the exact means.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import arviz as az
import numpy as np
import nutpie
import polars as pl
import pymc as pm
import pytensor.tensor as pt
import pytest
from scipy import optimize, stats
from scipy.special import log_expit, logsumexp

from models.joint import correlate
from models.priors import SPREAD_LOG_SD, SPREAD_MEDIAN
from models.spreads import add_spread
from tests.plain_terms import plain_terms, predictor_of

DATA = Path(__file__).parents[2].parent / "shared/open-data/lme4-reference-fits"
pytestmark = pytest.mark.skipif(
    not DATA.exists(), reason="open data (lme4 reference fits) are not beside the repository"
)

LogDensity = Callable[[np.ndarray], np.ndarray]  # (point, parameter) -> (point,)


def sample(model: pm.Model) -> az.InferenceData:
    compiled = nutpie.compile_pymc_model(model)
    return nutpie.sample(
        compiled,
        draws=2000,
        tune=1000,
        chains=4,
        cores=2,
        seed=11,
        target_accept=0.9,
        progress_bar=False,
    )


def log_spread_prior(log_sd: np.ndarray, scale: float) -> np.ndarray:
    """Density of a log spread, as ``models.priors.spread_prior`` says."""
    return stats.norm.logpdf(log_sd, np.log(SPREAD_MEDIAN * scale), SPREAD_LOG_SD)


def highest(log_density: LogDensity, start: np.ndarray) -> np.ndarray:
    found = optimize.minimize(
        lambda x: -log_density(x[None])[0],
        start,
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 20_000, "maxfev": 20_000},
    )
    return found.x


def integrate(
    log_density: LogDensity, mode: np.ndarray, of: Callable[[np.ndarray], np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Posterior means of ``of`` and their error, by importance sampling on Sobol points.

    The proposal is a Student t with 6 degrees of freedom and the mode's curvature; the error is
    from eight scrambles.
    """
    d, step = len(mode), 1e-3
    shifts = step * np.eye(d)
    corners = np.array(
        [mode + a * i + b * j for i in shifts for j in shifts for a in (1, -1) for b in (1, -1)]
    )
    values = log_density(corners).reshape(d, d, 2, 2)
    curvature = -(values[..., 0, 0] - values[..., 0, 1] - values[..., 1, 0] + values[..., 1, 1])
    covariance = np.linalg.inv(curvature / (4 * step**2))
    root = np.linalg.cholesky(1.3 * (covariance + covariance.T) / 2)
    means = []
    for seed in range(8):
        points = stats.qmc.Sobol(d + 1, rng=np.random.default_rng(seed)).random_base2(11)
        points = np.clip(points, 1e-9, 1 - 1e-9)
        scale = np.sqrt(6 / stats.chi2.ppf(points[:, -1], 6))
        z = stats.norm.ppf(points[:, :-1]) * scale[:, None]
        at = mode + z @ root.T
        log = log_density(at) + (6 + d) / 2 * np.log1p((z**2).sum(axis=1) / 6)
        weight = np.exp(log - log.max())
        means.append((weight / weight.sum()) @ of(at))
    return np.mean(means, axis=0), np.std(means, axis=0, ddof=1) / np.sqrt(8)


@dataclass
class Ladder:
    """What one data set gave, by parameter in one order."""

    names: tuple[str, ...]
    lme4: np.ndarray
    exact: np.ndarray
    exact_error: np.ndarray
    sampled: np.ndarray
    sampled_error: np.ndarray

    @property
    def pull(self) -> np.ndarray:
        return np.abs(self.exact - self.lme4)

    def check(self) -> None:
        told = f"{self.names}: lme4 {self.lme4}, exact {self.exact}, sampled {self.sampled}"
        off = np.abs(self.sampled - self.lme4)
        assert (off <= 2 * self.sampled_error + self.pull).all(), told
        both = np.hypot(self.sampled_error, self.exact_error)
        assert (np.abs(self.sampled - self.exact) <= 4 * both).all(), told


def sampled_means(draws: list) -> tuple[np.ndarray, np.ndarray]:
    """Means and Monte Carlo errors of scalar draws, dims (chain, draw)."""
    values = [np.asarray(d) for d in draws]
    means = np.array([v.mean() for v in values])
    errors = np.array([v.std() / np.sqrt(float(az.ess(v, method="mean"))) for v in values])
    assert all(float(az.rhat(v)) < 1.01 for v in values)
    return means, errors


# ---------------------------------------------------------------- sleepstudy

SLEEP = ("intercept", "days", "sd intercept", "sd days", "correlation", "residual")
SLEEP_LME4 = np.array([251.405, 10.467, 24.741, 5.922, 0.07, 25.592])
SLEEP_SE = (6.825, 1.546)  # of the fixed effects, published
# weak, in ms and ms a day
FIXED_MU, FIXED_SD = np.array([250.0, 0.0]), np.array([150.0, 50.0])
GROUP_SCALE, RESIDUAL_SD, ETA = (50.0, 10.0), 100.0, 1.0


@dataclass
class Sleep:
    """Reaction by subject and day: balanced, 18 subjects on days 0 to 9."""

    subject: np.ndarray
    days: np.ndarray
    reaction: np.ndarray

    def sums(self) -> tuple[np.ndarray, np.ndarray, float, int, int]:
        wide = self.reaction.reshape(-1, 10)
        design = np.column_stack([np.ones(10), np.arange(10.0)])
        least = np.linalg.solve(design.T @ design, design.T @ wide.T).T  # (subject, 2)
        within = float(((wide - least @ design.T) ** 2).sum())
        return design.T @ design, least, within, *wide.shape

    def log_likelihood(self, theta: np.ndarray, prior_precision: np.ndarray) -> tuple:
        """Fixed and random effects integrated out; with them, the fixed effects' mean.

        theta: log sd intercept, log sd days, atanh correlation, log residual; shape (point, 4).
        Each subject's least-squares line is sufficient for its effects:
        line ~ normal(fixed, G + residual² (X'X)^-1).
        """
        crossed, lines, within, n, days = self.sums()
        sd0, sd1, rho, residual = (
            np.exp(theta[:, 0]),
            np.exp(theta[:, 1]),
            np.tanh(theta[:, 2]),
            np.exp(theta[:, 3]),
        )
        g = np.empty((len(theta), 2, 2))
        g[:, 0, 0], g[:, 1, 1] = sd0**2, sd1**2
        g[:, 0, 1] = g[:, 1, 0] = rho * sd0 * sd1
        spread = g + residual[:, None, None] ** 2 * np.linalg.inv(crossed)
        inverse = np.linalg.inv(spread)
        centre = lines.mean(axis=0)
        about = (lines - centre).T @ (lines - centre)
        precision = n * inverse + prior_precision
        right = n * inverse @ centre + prior_precision @ FIXED_MU
        mean = np.linalg.solve(precision, right[..., None])[..., 0]
        quadratic = (
            (inverse * about).sum(axis=(1, 2))
            + n * np.einsum("i,pij,j->p", centre, inverse, centre)
            + FIXED_MU @ prior_precision @ FIXED_MU
            - (right * mean).sum(axis=1)
        )
        inside = n * (days - 2) * np.log(residual) * 2 + within / residual**2
        inside = inside + n * np.linalg.slogdet(crossed)[1]
        log = -0.5 * (
            n * days * np.log(2 * np.pi)
            + n * np.linalg.slogdet(spread)[1]
            + np.linalg.slogdet(precision)[1]
            + quadratic
            + inside
        )
        return log, mean


def read_sleep() -> Sleep:
    rows = pl.read_csv(DATA / "sleepstudy.csv").sort("Subject", "Days")
    names, subject = np.unique(rows["Subject"].to_numpy(), return_inverse=True)
    assert len(names) == 18 and rows["Days"].to_list() == list(range(10)) * 18
    return Sleep(subject, rows["Days"].to_numpy(), rows["Reaction"].to_numpy())


def sleep_model(data: Sleep) -> pm.Model:
    """Random intercepts and slopes from the project's pieces; the two are its "outcomes"."""
    coords = {"outcome": ["intercept", "days"], "group": range(18)}
    with pm.Model(coords=coords, check_bounds=False) as model:
        fixed = pm.Normal("fixed", FIXED_MU, FIXED_SD, dims="outcome")
        spread = add_spread("spread", np.array(GROUP_SCALE), dims="outcome")
        z = correlate(pm.Normal("z", dims=("outcome", "group")), ETA)
        effects = pt.concatenate([fixed, (spread[:, None] * z).ravel()])
        n = len(data.days)
        design = np.column_stack([np.ones(n), data.days])
        pick = np.column_stack([2 + data.subject, 20 + data.subject])
        eta = predictor_of(effects, plain_terms(design, pick, design))
        residual = pm.HalfNormal("residual", RESIDUAL_SD)
        pm.Normal("reaction", eta, residual, observed=data.reaction)
    return model


def test_sleepstudy_likelihood_is_largest_where_lme4_says():
    data = read_sleep()
    flat = np.zeros((2, 2))
    best = highest(lambda t: data.log_likelihood(t, flat)[0], np.array([3.0, 2.0, 0.1, 3.0]))
    log, fixed = data.log_likelihood(best[None], flat)
    # REML integrates the fixed effects over a flat prior: 2 log(2 pi) / 2 of it is ours to add
    criterion = -2 * log[0] - 2 * np.log(2 * np.pi)
    assert criterion == pytest.approx(1743.628, abs=1e-3)
    found = [*fixed[0], *np.exp(best[:2]), np.tanh(best[2]), np.exp(best[3])]
    assert found == pytest.approx(SLEEP_LME4, abs=6e-3)  # the precision printed; correlation 0.07


@pytest.fixture(scope="module")
def sleep() -> Ladder:
    data = read_sleep()
    precision = np.diag(FIXED_SD**-2.0)

    def log_density(theta: np.ndarray) -> np.ndarray:
        log = data.log_likelihood(theta, precision)[0]
        log = log + log_spread_prior(theta[:, 0], GROUP_SCALE[0])
        log = log + log_spread_prior(theta[:, 1], GROUP_SCALE[1])
        # correlation: (1 - r²)^(eta - 1), times dr/d atanh r = 1 - r²
        log = log - 2 * ETA * np.log(np.cosh(theta[:, 2]))
        return log + stats.halfnorm.logpdf(np.exp(theta[:, 3]), scale=RESIDUAL_SD) + theta[:, 3]

    def of(theta: np.ndarray) -> np.ndarray:
        fixed = data.log_likelihood(theta, precision)[1]
        return np.column_stack(
            [fixed, np.exp(theta[:, :2]), np.tanh(theta[:, 2]), np.exp(theta[:, 3])]
        )

    mode = highest(log_density, np.array([3.0, 2.0, 0.1, 3.0]))
    exact, error = integrate(log_density, mode, of)
    post = sample(sleep_model(data))["posterior"].ds
    draws = [
        *(post["fixed"].isel(outcome=k) for k in range(2)),
        *(post["spread"].isel(outcome=k) for k in range(2)),
        post["partial_correlation"][..., 0],
        post["residual"],
    ]
    return Ladder(SLEEP, SLEEP_LME4, exact, error, *sampled_means(draws))


def test_sleepstudy_sampled_by_our_pieces_agrees_with_lme4(sleep):
    sleep.check()


def test_sleepstudy_pull_of_the_prior_is_small(sleep):
    pull = dict(zip(sleep.names, sleep.pull, strict=True))
    assert pull["intercept"] < 0.05 * SLEEP_SE[0]
    assert pull["days"] < 0.05 * SLEEP_SE[1]
    assert pull["residual"] < 0.5
    assert pull["sd intercept"] < 2.0 and pull["sd days"] < 0.4
    assert pull["correlation"] < 0.06


# ---------------------------------------------------------------------- cbpp

CBPP = ("period 1", "period 2", "period 3", "period 4", "sd herd")
# nine quadrature points; the Laplace fit differs in the third decimal
CBPP_LME4 = np.array([-1.3992, -0.9914, -1.1278, -1.5795, 0.6475])
PERIOD_MU, PERIOD_SD = np.zeros(4), np.array([2.0, 2.0, 2.0, 2.0])
HERD_SCALE = 1.0


@dataclass
class Herds:
    """New cases by herd and period."""

    herd: np.ndarray
    design: np.ndarray  # intercept and periods 2 to 4
    cases: np.ndarray
    size: np.ndarray

    def log_likelihood(self, theta: np.ndarray) -> np.ndarray:
        """Herd effects integrated out on 40 Gauss-Hermite nodes; theta: periods, log sd."""
        node, weight = np.polynomial.hermite_e.hermegauss(40)
        log_weight = np.log(weight / weight.sum())
        fixed = theta[:, :4] @ self.design.T  # (point, row)
        total = np.zeros((len(theta), 15, 40))
        herd_effect = np.exp(theta[:, 4:]) * node  # (point, node)
        for k in range(15):
            own = self.herd == k
            eta = fixed[:, own, None] + herd_effect[:, None, :]
            y, n = self.cases[own, None], self.size[own, None]
            total[:, k] = (y * log_expit(eta) + (n - y) * log_expit(-eta)).sum(axis=1)
        return logsumexp(total + log_weight, axis=2).sum(axis=1)


def read_herds() -> Herds:
    rows = pl.read_csv(DATA / "cbpp.csv")
    names, herd = np.unique(rows["herd"].to_numpy(), return_inverse=True)
    period = rows["period"].to_numpy()
    assert len(names) == 15 and rows.height == 56
    design = np.column_stack([np.ones(56), *(period == k for k in (2, 3, 4))]).astype(float)
    return Herds(herd, design, *(rows[c].to_numpy().astype(int) for c in ("incidence", "size")))


def herd_model(data: Herds) -> pm.Model:
    with pm.Model(check_bounds=False) as model:
        period = pm.Normal("period", PERIOD_MU, PERIOD_SD)
        spread = add_spread("spread", HERD_SCALE)
        effects = pt.concatenate([period, spread * pm.Normal("z", shape=15)])
        terms = plain_terms(data.design, 4 + data.herd[:, None], np.ones((56, 1)))
        eta = predictor_of(effects, terms)
        pm.Binomial("cases", n=data.size, logit_p=eta, observed=data.cases)
    return model


def test_cbpp_likelihood_is_largest_where_lme4_says():
    best = highest(read_herds().log_likelihood, np.array([-1.0, -1.0, -1.0, -1.0, -0.5]))
    assert [*best[:4], np.exp(best[4])] == pytest.approx(CBPP_LME4, abs=1e-3)


@pytest.fixture(scope="module")
def herds() -> Ladder:
    data = read_herds()

    def log_density(theta: np.ndarray) -> np.ndarray:
        log = stats.norm.logpdf(theta[:, :4], PERIOD_MU, PERIOD_SD).sum(axis=1)
        return log + log_spread_prior(theta[:, 4], HERD_SCALE) + data.log_likelihood(theta)

    def of(theta: np.ndarray) -> np.ndarray:
        return np.column_stack([theta[:, :4], np.exp(theta[:, 4])])

    mode = highest(log_density, np.array([-1.0, -1.0, -1.0, -1.0, -0.5]))
    exact, error = integrate(log_density, mode, of)
    post = sample(herd_model(data))["posterior"].ds
    draws = [*(post["period"][..., k] for k in range(4)), post["spread"]]
    return Ladder(CBPP, CBPP_LME4, exact, error, *sampled_means(draws))


def test_cbpp_sampled_by_our_pieces_agrees_with_lme4(herds):
    herds.check()


def test_cbpp_pull_of_the_prior_is_small(herds):
    pull = dict(zip(herds.names, herds.pull, strict=True))
    # standard errors of the four are 0.23 to 0.43 (from memory)
    assert max(v for k, v in pull.items() if k != "sd herd") < 0.04
    assert pull["sd herd"] < 0.06
