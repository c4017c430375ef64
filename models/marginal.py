"""What records left out are worth under all others: their own unknowns integrated out.

The unknowns are normal and enter the predictors linearly (``models/left_out.py``), so the integral
is Laplace's, exact for records that are normal on the link scale.
"""

from __future__ import annotations

import numpy as np

from models.left_out import MITES, LeavingOut, LeftOut, times
from models.log_likelihood import (
    Draws,
    count_log_density,
    count_overdispersion,
    outcome_information,
    outcome_log_density,
)

STEP = 1e-3  # of the numerical derivatives along the link scale
FIRST, STEPS = 20, 2  # steps to the mode of one draw, and from there to every other's
FEW = 8  # records with which every draw finds its mode from nothing as fast


def evaluate_records(
    leaving: LeavingOut,
    left: LeftOut,
    draws: Draws,
    predictor: np.ndarray,
    *,
    is_information: bool = False,
) -> np.ndarray:
    """Evaluate every record at a predictor.

    Parameters
    ----------
    leaving : LeavingOut
    left : LeftOut
    draws : Draws
        Those of ``predictor``'s rows.
    predictor : numpy.ndarray, shape (draw, record)
    is_information : bool
        Return the Fisher information about the predictor, not the log density.

    Returns
    -------
    numpy.ndarray, shape (draw, record)
    """
    made = np.empty(predictor.shape)
    of_outcome = outcome_information if is_information else outcome_log_density
    for outcome in leaving.pool.outcomes:
        here, own = left.kinds[outcome], left.own[outcome]
        if len(own):
            made[:, here] = of_outcome(
                leaving.pool, draws, outcome, predictor[:, here], leaving.priors, own
            )
    here, own = left.kinds[MITES], left.own[MITES]
    if len(own):
        phi = count_overdispersion(leaving.pool, draws, own)
        if is_information:
            mean = np.exp(predictor[:, here])
            made[:, here] = mean * phi / (mean + phi)
        else:
            counts = leaving.pool.mite_counts.mites[own]
            made[:, here] = count_log_density(counts, predictor[:, here], phi)
    return made


def _climb(
    leaving: LeavingOut, left: LeftOut, draws: Draws, weight: np.ndarray, steps: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Climb to the mode of the units' unknowns by Fisher scoring with halved steps.

    Returns
    -------
    weight : numpy.ndarray, shape (draw, record)
        The covariance times these is what the unknowns add at the mode.
    height : numpy.ndarray, shape (draw,)
        Log density of records and unknowns there.
    information : numpy.ndarray, shape (draw, record)
    """

    def height_at(added: np.ndarray, pull: np.ndarray) -> np.ndarray:
        density = evaluate_records(leaving, left, draws, left.offset + added).sum(axis=1)
        return density - 0.5 * (pull * added).sum(axis=1)

    covariance = left.covariance
    added = times(covariance, weight)
    height = height_at(added, weight)
    for _ in range(steps):
        here = left.offset + added
        low, high = (evaluate_records(leaving, left, draws, here + h) for h in (-STEP, STEP))
        information = evaluate_records(leaving, left, draws, here, is_information=True)
        root = np.sqrt(information).astype(np.float32)
        aim = information * added + (high - low) / (2.0 * STEP)
        pulled = root * times(covariance, aim)
        wide = root[:, :, None] * covariance * root[:, None, :]
        wide[:, range(wide.shape[1]), range(wide.shape[1])] += 1.0
        aim -= root * np.linalg.solve(wide, pulled.astype(np.float32)[..., None])[..., 0]
        there = times(covariance, aim)
        old_weight, old_added = weight, added
        for part in (1.0, 0.5, 0.2):
            pull = old_weight + part * (aim - old_weight)
            new = old_added + part * (there - old_added)
            reached = height_at(new, pull)
            is_higher = reached > height
            height = np.where(is_higher, reached, height)
            weight = np.where(is_higher[:, None], pull, weight)
            added = np.where(is_higher[:, None], new, added)
    here = left.offset + added
    return weight, height, evaluate_records(leaving, left, draws, here, is_information=True)


def log_marginal_density(leaving: LeavingOut, left: LeftOut) -> np.ndarray:
    """Log density of the units' records together, their own unknowns integrated out.

    Returns
    -------
    numpy.ndarray, shape (draw,)

    Notes
    -----
    Laplace's approximation with the expected information at the mode. The mode of one draw is
    found first; all others start there, as draws differ little in what the records pull.

    References
    ----------
    Rasmussen, Williams (2006), "Gaussian Processes for Machine Learning", section 3.4.
    """
    if not left.offset.shape[1]:
        return np.zeros(leaving.draws.n)
    weight = np.zeros((1, left.offset.shape[1]))
    if weight.size > FEW:
        weight, _, _ = _climb(leaving, left.take(1), leaving.draws.take(slice(1)), weight, FIRST)
    weight = np.broadcast_to(weight, left.offset.shape)
    _, height, information = _climb(leaving, left, leaving.draws, weight, STEPS)
    root = np.sqrt(information).astype(np.float32)
    wide = root[:, :, None] * left.covariance * root[:, None, :]
    wide[:, range(wide.shape[1]), range(wide.shape[1])] += 1.0
    lower = np.linalg.cholesky(wide)
    return height - np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)


def predict_left_out(leaving: LeavingOut, left: LeftOut, rng: np.random.Generator) -> np.ndarray:
    """Draw predictors of the records as if they were not there, shape (draw, record)."""
    n = left.offset.shape[1]
    lower = np.linalg.cholesky(left.covariance + 1e-6 * np.eye(n))
    noise = rng.normal(size=(leaving.draws.n, n, 1))
    return left.offset + (lower @ noise)[..., 0]
