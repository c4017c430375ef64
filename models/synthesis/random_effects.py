"""Random-effects synthesis by moments: a second opinion beside the Bayesian one.

Estimates y_i with standard errors s_i, i = 1..k, of associations whose true effects vary about a
common mean with variance τ².
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from pipeline.errors import ModelError


@dataclass(frozen=True, slots=True)
class MomentSynthesis:
    """What the moments say.

    Attributes
    ----------
    mean, se : float
        Weighted mean and its classic standard error.
    lower, upper : float
        95 % limits of the mean, Hartung-Knapp.
    predicted_lower, predicted_upper : float
        95 % limits of the effect in another association; NaN with fewer than three.
    tau2 : float
        Variance between associations, DerSimonian-Laird.
    q, i2 : float
        Cochran's Q, and the share of variation [%] that is not sampling error.
    """

    mean: float
    se: float
    lower: float
    upper: float
    predicted_lower: float
    predicted_upper: float
    tau2: float
    q: float
    i2: float


def checked(effect: ArrayLike, se: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return both as arrays of the same length.

    Raises
    ------
    ModelError
        Fewer than two estimates, or a standard error that is not above zero.
    """
    y, s = np.asarray(effect, dtype=float), np.asarray(se, dtype=float)
    if y.ndim != 1 or y.shape != s.shape or len(y) < 2:
        raise ModelError(
            "A synthesis needs at least two estimates, each with its standard error.",
            mend="Give two or more bundles that estimate the same contrast.",
        )
    if not (np.isfinite(y).all() and np.isfinite(s).all() and (s > 0).all()):
        raise ModelError(
            "An estimate or its standard error is not a number above zero.",
            mend="Reproduce each bundle and leave out the one that disagrees.",
        )
    return y, s


def moment_synthesis(effect: ArrayLike, se: ArrayLike) -> MomentSynthesis:
    """Combine estimates by DerSimonian and Laird, with limits by Hartung and Knapp.

    Parameters
    ----------
    effect, se : array_like, shape (association,)
        Two or more.

    Returns
    -------
    MomentSynthesis

    Raises
    ------
    ModelError
        As ``checked``.

    Notes
    -----
    The Hartung-Knapp variance is not taken below the classic one, as is usual for few studies:
    estimates that agree by chance would else give limits that are far too narrow.

    References
    ----------
    DerSimonian and Laird (1986), Control. Clin. Trials 7:177-188. Hartung and Knapp (2001), Stat.
    Med. 20:3875-3889. Higgins, Thompson and Spiegelhalter (2009), J. R. Stat. Soc. A 172:137-159,
    for the prediction interval (t with k - 2 degrees of freedom).

    Examples
    --------
    >>> found = moment_synthesis([1.0, 1.0, 1.0], [0.3, 0.3, 0.3])
    >>> found.mean, found.tau2, round(found.se, 4)
    (1.0, 0.0, 0.1732)
    """
    y, s = checked(effect, se)
    k = len(y)
    w = 1.0 / s**2
    fixed = float((w * y).sum() / w.sum())
    q = float((w * (y - fixed) ** 2).sum())
    spread = float(w.sum() - (w**2).sum() / w.sum())
    tau2 = max(0.0, (q - (k - 1)) / spread)
    v = 1.0 / (s**2 + tau2)
    mean = float((v * y).sum() / v.sum())
    se_mean = float(np.sqrt(1.0 / v.sum()))
    ratio = float((v * (y - mean) ** 2).sum() / (k - 1))
    half = float(stats.t.ppf(0.975, k - 1)) * se_mean * max(1.0, ratio) ** 0.5
    far = float("nan")
    if k > 2:
        far = float(stats.t.ppf(0.975, k - 2)) * float(np.sqrt(tau2 + se_mean**2))
    i2 = 100.0 * max(0.0, (q - (k - 1)) / q) if q > 0 else 0.0
    return MomentSynthesis(
        mean, se_mean, mean - half, mean + half, mean - far, mean + far, tau2, q, i2
    )
