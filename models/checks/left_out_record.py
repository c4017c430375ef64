"""Leave-one-out calibration: each colony-winter against what all the others foretell of it."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy import stats
from scipy.special import expit

from models.checks.base import NO_POSTERIOR, About, Check, Evidence
from models.log_likelihood import outcome_distribution
from models.marginal import log_marginal_density, predict_left_out
from models.vocabulary import SURVIVAL

# With few draws the tail's shape is itself uncertain: the limit falls below 0.7
# (Vehtari, Simpson, Gelman, Yao, Gabry 2024, J. Mach. Learn. Res. 25(72):1-58).
HIGHEST_K = 0.7
MOST_BAD_K = 0.1  # with more of the colony-winters past it the result rests on too few
# (common practice, no source)
LEVEL_OF_TEST = 0.01  # as in prediction.py: three outcomes, every study
MOST_UNITS = 250  # drawn by the study's seed: the check's cost does not grow with the pool
FIFTHS = 5

ABOUT = About(
    "left_out_record",
    "Each colony-winter against all others",
    "Does each colony-winter lie where the others say it should, as often as they say?",
)
SCHEMA = {
    "outcome": pl.String,
    "what": pl.String,
    "n": pl.Int64,
    "observed": pl.Float64,
    "expected": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p_value": pl.Float64,
}


def good_k(n_draws: int) -> float:
    """Highest Pareto shape with which ``n_draws`` importance weights can be trusted.

    Examples
    --------
    >>> round(good_k(400), 2), good_k(4000)
    (0.62, 0.7)
    """
    return float(min(1.0 - 1.0 / np.log10(n_draws), HIGHEST_K))


def left_out_weights(log_density: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights of the draws as if some records had not been there.

    Parameters
    ----------
    log_density : numpy.ndarray, shape (draw,)
        Of those records together.

    Returns
    -------
    weights : numpy.ndarray, shape (draw,)
        Pareto-smoothed; they sum to 1.
    k : float
        Shape of their tail.
    """
    if np.ptp(log_density) < 1e-12:
        return np.full(len(log_density), 1.0 / len(log_density)), 0.0
    from arviz_stats.base import array_stats

    log_weights, k = array_stats.psislw(log_density)  # which turns the sign itself
    weights = np.exp(log_weights - log_weights.max())
    return weights / weights.sum(), float(k)


def uniformity_p_value(values: np.ndarray) -> float:
    """Chance of values in [0, 1] at least so far from uniform, though they hang together.

    Leave-one-out values share their draws and records; the test of arviz-stats allows for it.
    """
    from arviz_stats.base import array_stats

    inside = np.clip(values, 1e-9, 1.0 - 1e-9)
    return float(array_stats.uniformity_test(inside, method="pot_c")[0])


def tenths(places: np.ndarray) -> list[tuple]:
    """Share of records in each tenth of their predictive distributions, with 95 % limits."""
    n = len(places)
    counts, edges = np.histogram(places, bins=10, range=(0.0, 1.0))
    low, high = stats.binom.ppf([0.025, 0.975], n, 0.1) / n
    p = uniformity_p_value(places)
    return [
        (f"{a:.1f} to {b:.1f} of the predictions", n, c / n, 0.1, low, high, p)
        for a, b, c in zip(edges[:-1], edges[1:], counts, strict=True)
    ]


def fifths(chance: np.ndarray, alive: np.ndarray) -> list[tuple]:
    """Observed and expected share of survivors by fifth of the predicted chance.

    Returns
    -------
    list of (what, n, observed, expected, low, high, p)
        Limits hold 95 %; p from the normal approximation to a sum of unlike coin tosses.
    """
    rows = []
    for own in np.array_split(np.argsort(chance, kind="stable"), min(FIFTHS, len(chance))):
        p, n = chance[own], len(own)
        expected, sd = float(p.mean()), float(np.sqrt(np.sum(p * (1 - p))) / n)
        observed = float(alive[own].mean())
        z = (abs(observed - expected) - 0.5 / n) / max(sd, 1e-12)
        what = f"chance {p.min():.2f} to {p.max():.2f}"
        limits = np.clip([expected - 1.96 * sd, expected + 1.96 * sd], 0.0, 1.0)
        tail = float(min(1.0, 2.0 * stats.norm.sf(z)))
        rows.append((what, n, observed, expected, *map(float, limits), tail))
    return rows


def _places(evidence: Evidence, units: np.ndarray) -> tuple[dict[str, list[tuple]], np.ndarray]:
    """Place of each record in its leave-one-out predictions, by outcome, and every unit's k.

    For survival the place is the chance of living; with it goes what became of the colony.
    """
    pool, leaving = evidence.pool, evidence.leaving_out
    rng = np.random.default_rng(evidence.settings.model.seed)
    places: dict[str, list[tuple]] = {o: [] for o in pool.outcomes}
    shapes = np.zeros(len(units))
    for i, unit in enumerate(units):
        left = leaving.leave_out(np.array([unit]))
        weights, shapes[i] = left_out_weights(log_marginal_density(leaving, left))
        predictor = predict_left_out(leaving, left, rng)
        for outcome in pool.outcomes:
            own = left.own[outcome]
            if not len(own):
                continue
            eta, value = predictor[:, left.kinds[outcome]], pool.observed[outcome].value[own]
            if outcome == SURVIVAL:
                share = expit(eta)
            else:
                share = outcome_distribution(
                    pool, leaving.draws, outcome, eta, evidence.priors, own
                ).cdf(value)
            places[outcome].append((float(weights @ share[:, 0]), float(value[0])))
    return places, shapes


def check_left_out_record(evidence: Evidence) -> Check:
    """Judge calibration of single colony-winters by Pareto-smoothed importance sampling.

    Notes
    -----
    All records of a colony-winter are left out together, its own unknowns integrated out. Stores
    and frames: the share of predictions below the record is uniform where the model holds.
    Survival: of colonies given a chance of 0.8, eight in ten should live.

    References
    ----------
    Vehtari, Gelman, Gabry (2017), Stat. Comput. 27:1413-1432; Gelfand, Dey, Chang (1992) for
    leave-one-out probabilities (both from memory).
    """
    if evidence.posterior is None:
        return ABOUT.not_run(NO_POSTERIOR)
    pool = evidence.pool
    rng = np.random.default_rng(evidence.settings.model.seed)
    units = np.sort(rng.permutation(pool.n_units)[:MOST_UNITS])
    places, shapes = _places(evidence, units)
    limit = good_k(evidence.leaving_out.draws.n)
    share_bad = float(np.mean(shapes > limit))
    rows: list[tuple] = [
        ("all", f"k above {limit:.2f}", len(units), share_bad, None, None, MOST_BAD_K, None)
    ]
    failed, said = [], []
    for outcome, found in places.items():
        if not found:
            continue
        place, value = np.array(found).T
        own = fifths(place, value) if outcome == SURVIVAL else tenths(place)
        p = min(row[-1] for row in own) * (len(own) if outcome == SURVIVAL else 1)
        rows += [(outcome, *row) for row in own]
        if p < LEVEL_OF_TEST or share_bad > MOST_BAD_K:
            failed.append(outcome)
        said.append(f"{outcome} p = {min(p, 1.0):.3f} ({len(found)} records)")
    verdict = (
        f"For {', '.join(failed)} they do not, or too few weights can be trusted"
        if failed
        else "They do, as far as these records can tell"
    )
    sentence = (
        f"{verdict}: {'; '.join(said)}; {100 * share_bad:.0f} % of {len(units)} colony-winters had "
        f"unreliable weights (k above {limit:.2f})."
    )
    reason = (
        f"Fails below p = {LEVEL_OF_TEST} (uniformity for stores and frames; the worst fifth of "
        f"chances, times {FIFTHS}, for survival), or with k too high in more than "
        f"{100 * MOST_BAD_K:.0f} % of colony-winters."
    )
    return ABOUT.judged(tuple(failed), sentence, pl.DataFrame(rows, SCHEMA, orient="row"), reason)
