"""Posterior prediction by level, winter and member: could the model have written these records?"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy import stats

from models.checks.base import NO_POSTERIOR, About, Check, Evidence
from models.log_likelihood import outcome_distribution
from models.vocabulary import STORES, STRENGTH, SURVIVAL

INTERVAL = 0.95
# Two outcomes to three, each judged by level, winter and member, on every study: at one in a
# hundred a sound model cries wolf in fewer than one study of ten. Common practice, no source.
LEVEL_OF_TEST = 0.01

ABOUT = About(
    "prediction",
    "Predictions against records",
    "Would the fitted model have produced records like these, by level, winter and member?",
)
MEANS = {STORES: "mean stores use", SURVIVAL: "share alive", STRENGTH: "mean frames of survivors"}
SCHEMA = {
    "outcome": pl.String,
    "by": pl.String,
    "group": pl.String,
    "n": pl.Int64,
    "observed": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "is_inside": pl.Boolean,
    "p_value": pl.Float64,
}


def _rows(
    outcome: str, by: str, names: list[str], index: np.ndarray, seen: np.ndarray, made: np.ndarray
) -> list[tuple]:
    """Compare each group's observed mean with its predicted means."""
    counts = np.bincount(index, minlength=len(names))
    weight = np.zeros((len(index), len(names)))
    weight[np.arange(len(index)), index] = 1.0
    rows = []
    for k in np.flatnonzero(counts):
        observed = float(seen @ weight[:, k] / counts[k])
        predicted = made @ weight[:, k] / counts[k]
        low, high = np.quantile(predicted, [(1 - INTERVAL) / 2, (1 + INTERVAL) / 2])
        # ties count on both sides, so that a share of few colonies is not called extreme
        below = (1 + np.sum(predicted <= observed)) / (1 + len(predicted))
        above = (1 + np.sum(predicted >= observed)) / (1 + len(predicted))
        p = float(min(1.0, 2 * min(below, above)))
        inside = bool(low <= observed <= high)
        own = (float(low), float(high), inside, p)
        rows.append((outcome, by, names[k], int(counts[k]), observed, *own))
    return rows


def least_inside(n: int) -> int:
    """Fewest of ``n`` groups inside their 95 % intervals that chance alone would still give."""
    return int(stats.binom.ppf(LEVEL_OF_TEST, n, INTERVAL))


def check_prediction(evidence: Evidence) -> Check:
    """Compare means of the records with the model's predictions of the same colony-winters.

    Levels and winters are few: each must be no more extreme than chance allows, counting how
    many were looked at. Members are many: about 95 % of them must lie within their 95 %
    intervals. Each record is predicted with its own member's effect, so the test is mild.
    """
    if evidence.posterior is None:
        return ABOUT.not_run(NO_POSTERIOR)
    pool, rng = evidence.pool, np.random.default_rng(evidence.settings.model.seed)
    groupings = {
        "level": (list(pool.levels), pool.level),
        "winter": ([str(w) for w in pool.winters], pool.winter),
        "member": ([f"member {k + 1}" for k in range(len(pool.members))], pool.member),
    }
    rows, failed, said = [], [], []
    for outcome in pool.outcomes:
        seen = pool.observed[outcome]
        eta = evidence.predictors[outcome]
        predicted = outcome_distribution(pool, evidence.draws, outcome, eta, evidence.priors).rvs(
            size=eta.shape, random_state=rng
        )
        is_off = False
        for by, (names, index) in groupings.items():
            own = _rows(outcome, by, names, index[seen.rows], seen.value, predicted)
            inside = sum(row[7] for row in own)
            if by == "member":
                is_off |= inside < least_inside(len(own))
                said.append(f"{inside} of {len(own)} members for {MEANS[outcome]}")
                own = sorted(own, key=lambda row: row[8])
                own = [(*row[:2], f"member {k + 1}", *row[3:]) for k, row in enumerate(own)]
            else:
                is_off |= min(row[8] for row in own) < LEVEL_OF_TEST / len(own)
            rows += own
        if is_off:
            failed.append(outcome)
    sentence = f"Inside the 95 % of predictions lie {'; '.join(said)}. " + (
        f"The predictions disagree with the records of {', '.join(failed)}."
        if failed
        else "No level or winter stands out."
    )
    reason = (
        f"Fails when a level’s or winter’s mean is more extreme than {LEVEL_OF_TEST:.0%} by "
        "chance over how many there are, or when fewer members lie inside than a binomial with "
        f"{INTERVAL:.0%} gives in {1 - LEVEL_OF_TEST:.0%} of studies. Members are numbered by how "
        "far off they are, for each outcome anew."
    )
    return ABOUT.judged(tuple(failed), sentence, pl.DataFrame(rows, SCHEMA, orient="row"), reason)
