"""Bayesian random-effects synthesis: normal about normal, by quadrature over the spread.

y_i ~ N(θ_i, s_i²), θ_i ~ N(μ, τ²), μ ~ N(m, v²) with v so wide that it says nothing, or given;
τ has a stated prior. Given τ everything is normal and integrates in closed form; τ itself is
integrated on a grid. With two or three associations the prior of τ matters: it is printed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from models.synthesis.random_effects import checked

POINTS = 4001
Density = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, slots=True)
class NormalNormal:
    """Posterior of the mean effect and of the spread between associations.

    Attributes
    ----------
    tau : numpy.ndarray, shape (grid,)
    weight : numpy.ndarray, shape (grid,)
        Posterior mass at each; sums to 1.
    centre, sd : numpy.ndarray, shape (grid,)
        Of μ given τ.
    """

    tau: np.ndarray
    weight: np.ndarray
    centre: np.ndarray
    sd: np.ndarray

    @property
    def mean(self) -> float:
        """Posterior mean of μ."""
        return float(self.weight @ self.centre)

    @property
    def between_sd(self) -> float:
        """Posterior mean of τ."""
        return float(self.weight @ self.tau)

    def _chance_below(self, value: float, sd: np.ndarray) -> float:
        return float(self.weight @ stats.norm.cdf(value, self.centre, sd))

    def _quantile(self, prob: float, sd: np.ndarray) -> float:
        reach = 40.0 * float(sd.max())
        low, high = float(self.centre.min()) - reach, float(self.centre.max()) + reach
        return float(
            optimize.brentq(lambda x: self._chance_below(x, sd) - prob, low, high, xtol=1e-10)
        )

    def quantile(self, prob: float) -> float:
        """Quantile of μ."""
        return self._quantile(prob, self.sd)

    def predicted_quantile(self, prob: float) -> float:
        """Quantile of the effect in another association."""
        return self._quantile(prob, np.hypot(self.sd, self.tau))

    def chance_above(self, value: float) -> float:
        """Posterior probability that μ is above a value."""
        return 1.0 - self._chance_below(value, self.sd)


def half_normal(scale: float) -> Density:
    """Prior of τ: half-normal; two in three values lie below ``scale``."""
    return lambda tau: stats.halfnorm.pdf(tau, scale=scale)


def normal_normal(
    effect: ArrayLike,
    se: ArrayLike,
    tau_density: Density,
    *,
    tau_reach: float,
    mean_prior: tuple[float, float] | None = None,
) -> NormalNormal:
    """Combine estimates.

    Parameters
    ----------
    effect, se : array_like, shape (association,)
        Two or more.
    tau_density : callable
        Prior density of τ, vectorised, finite; it need not integrate to 1.
    tau_reach : float
        Largest τ on the grid: the posterior must be nothing there.
    mean_prior : tuple of float, optional
        Mean and sd of μ; flat unless given.

    Returns
    -------
    NormalNormal

    Raises
    ------
    ModelError
        As ``random_effects.checked``.

    References
    ----------
    Gelman, Carlin, Stern, Dunson, Vehtari and Rubin (2013), Bayesian Data Analysis, section 5.4.
    """
    y, s = checked(effect, se)
    # quadratically spaced: fine near 0, where the density may be high
    edge = np.linspace(0.0, 1.0, POINTS)
    tau = tau_reach * edge**2
    width = np.gradient(tau)
    width[[0, -1]] /= 2.0
    precision = 1.0 / (s[None] ** 2 + tau[:, None] ** 2)
    total, sums = precision.sum(axis=1), precision @ y
    centre_of, precise = mean_prior or (0.0, np.inf), 0.0
    if mean_prior is not None:
        precise = 1.0 / centre_of[1] ** 2
    own = total + precise
    centre = (sums + precise * centre_of[0]) / own
    log_likelihood = 0.5 * np.log(precision).sum(axis=1) - 0.5 * np.log(own)
    log_likelihood -= 0.5 * (precision * (y[None] - centre[:, None]) ** 2).sum(axis=1)
    log_likelihood -= 0.5 * precise * (centre - centre_of[0]) ** 2
    weight = np.exp(log_likelihood - log_likelihood.max()) * tau_density(tau) * width
    return NormalNormal(tau, weight / weight.sum(), centre, 1.0 / np.sqrt(own))
