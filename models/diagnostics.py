"""R-hat and effective sample sizes of many parameters at once.

The same quantities as ArviZ gives (``tests/unit/test_model_gates.py`` compares), computed for a
batch of parameters together: a pool of 1,000 colony-winters has 6,000 parameters, which take
ArviZ 43 s, one after another.
"""

from __future__ import annotations

import numpy as np
from scipy import fft, special, stats

from models.side_by_side import side_by_side

BATCH = 256


def _split(draws: np.ndarray) -> np.ndarray:
    """Halve every chain; shape (parameter, 2 * chain, draw // 2)."""
    half = draws.shape[2] // 2
    return np.concatenate([draws[..., :half], draws[..., -half:]], axis=1)


def _normal_scores(values: np.ndarray) -> np.ndarray:
    """Replace values by the normal quantiles of their ranks (Blom's offset)."""
    flat = values.reshape(len(values), -1)
    rank = stats.rankdata(flat, axis=1)
    return special.ndtri((rank - 0.375) / (flat.shape[1] + 0.25)).reshape(values.shape)


def _plain_r_hat(values: np.ndarray) -> np.ndarray:
    n = values.shape[2]
    between = n * values.mean(axis=2).var(axis=1, ddof=1)
    within = values.var(axis=2, ddof=1).mean(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.sqrt((between / within + n - 1) / n)


def _plain_ess(values: np.ndarray) -> np.ndarray:
    """Effective sample size by Geyer's initial monotone sequence, chains combined."""
    _, n_chains, n = values.shape
    centred = values - values.mean(axis=2, keepdims=True)
    length = fft.next_fast_len(2 * n, real=True)
    spectrum = fft.rfft(centred, n=length, axis=2)
    covariance = fft.irfft(np.abs(spectrum) ** 2, n=length, axis=2)[..., :n].mean(axis=1) / n
    within = covariance[:, :1] * n / (n - 1.0)
    total = covariance[:, 0] + values.mean(axis=2).var(axis=1, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        rho = 1.0 - (within - covariance) / total[:, None]
    rho[:, 0] = 1.0
    n_pairs = (n - 2) // 2
    pairs = rho[:, 0 : 2 * n_pairs : 2] + rho[:, 1 : 2 * n_pairs : 2]
    is_over = pairs <= 0.0
    is_over[:, -1] = True
    last = is_over.argmax(axis=1)  # the first pair that is not positive ends the sum
    monotone = np.minimum.accumulate(pairs, axis=1)
    kept = np.where(np.arange(n_pairs) < last[:, None], monotone, 0.0).sum(axis=1)
    even = np.maximum(rho[np.arange(len(rho)), 2 * last], 0.0)
    size = n_chains * n
    tau = np.maximum(-1.0 + 2.0 * kept + even, 1.0 / np.log10(size))
    return np.where(np.isfinite(rho).all(axis=1), size / tau, np.nan)


def diagnostics(draws: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rank-normalised split R-hat, bulk and tail effective sample size.

    Parameters
    ----------
    draws : numpy.ndarray, shape (chain, draw, parameter)
        At least two chains.

    Returns
    -------
    r_hat, ess_bulk, ess_tail : numpy.ndarray, shape (parameter,)
        NaN where a draw is not finite or nothing moves.

    References
    ----------
    Vehtari, Gelman, Simpson, Carpenter, Bürkner (2021), "Rank-normalization, folding, and
    localization: an improved R-hat", Bayesian Analysis 16:667-718.
    """

    def batch(start: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return _batch(np.ascontiguousarray(draws[..., start : start + BATCH].transpose(2, 0, 1)))

    made = side_by_side(batch, range(0, draws.shape[2], BATCH))
    return tuple(np.concatenate(parts) for parts in zip(*made, strict=True))  # type: ignore[return-value]


def _batch(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    flat = values.reshape(len(values), -1)
    is_good = np.isfinite(flat).all(axis=1) & (np.ptp(flat, axis=1) > 0)
    values = np.where(is_good[:, None, None], values, 0.0)
    halves = _split(values)
    bulk = _normal_scores(halves)
    median = np.median(halves, axis=(1, 2), keepdims=True)
    folded = _normal_scores(np.abs(halves - median))
    r_hat = np.maximum(_plain_r_hat(bulk), _plain_r_hat(folded))
    low, high = np.quantile(values, [0.05, 0.95], axis=(1, 2))
    tails = [
        _plain_ess(_split((values <= limit[:, None, None]).astype(float))) for limit in (low, high)
    ]
    tail = np.minimum(*tails)
    return tuple(np.where(is_good, q, np.nan) for q in (r_hat, _plain_ess(bulk), tail))  # type: ignore[return-value]
