"""Outcomes that nobody reported: how different must they be to turn the answer?"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.checks.base import About, Check, Evidence
from models.checks.headline import headline_levels, headline_rows
from models.data import Pool
from models.vocabulary import STORES, STRENGTH, SURVIVAL

# Below 5 % missing little bias can follow, above 20 % validity is in doubt: a rule of thumb of
# trials (Schulz, Grimes 2002, Lancet 359:781-785, from memory).
LITTLE, MUCH = 0.05, 0.20

ABOUT = About(
    "unreported",
    "Outcomes that were not reported",
    "How different must the unreported colonies be to turn the answer?",
)
SCHEMA = {
    "outcome": pl.String,
    "level": pl.String,
    "n_units": pl.Int64,
    "n_missing": pl.Int64,
    "share_missing": pl.Float64,
    "reported": pl.Float64,
    "bound_low": pl.Float64,
    "bound_high": pl.Float64,
    "tipping_point": pl.Float64,
    "unit": pl.String,
}


def missing_by_level(pool: Pool, outcome: str) -> list[tuple[str, int, int, float]]:
    """Level, units that could have had the outcome, of these unreported, and the reported mean.

    Spring frames are expected of colonies not known to be dead.
    """
    seen = pool.observed[outcome]
    eligible = np.ones(pool.n_units, dtype=bool)
    if outcome == STRENGTH:
        alive = pool.observed[SURVIVAL]
        eligible[alive.rows[alive.value == 0.0]] = False
    known = np.zeros(pool.n_units, dtype=bool)
    known[seen.rows] = True
    value = np.full(pool.n_units, np.nan)
    value[seen.rows] = seen.value
    rows = []
    for k, level in enumerate(pool.levels):
        own = eligible & (pool.level == k)
        reported = value[own & known]
        mean = float(reported.mean()) if len(reported) else float("nan")
        rows.append((level, int(own.sum()), int((own & ~known).sum()), mean))
    return rows


def tipping_point(difference: float, share_one: float, share_other: float) -> float | None:
    """How much worse the unreported must have fared, against the reported, to undo a difference.

    Parameters
    ----------
    difference : float
        Of the answer; positive is a benefit.
    share_one, share_other : float
        Unreported at the higher level and at the lower.

    Returns
    -------
    float or None
        The unreported of the level that did better are that much worse off than its reported, and
        those of the other level that much better off. None when nothing is unreported.

    Examples
    --------
    >>> tipping_point(6.0, 0.1, 0.05).__round__(6), tipping_point(6.0, 0.0, 0.0)
    (40.0, None)
    """
    missing = share_one + share_other
    return abs(difference) / missing if missing > 0 else None


def check_unreported(evidence: Evidence) -> Check:
    """Bound the raw means by level and give the tipping point of the headline.

    Bounds are for survival alone: all of the unreported dead, or all alive. Kilograms and frames
    have no such ends.

    References
    ----------
    Manski (1990), Am. Econ. Rev. 80(2):319-323, for bounds (from memory).
    """
    pool = evidence.pool
    if not pool.outcomes:
        return ABOUT.not_run("No outcome is recorded often enough to be analysed.")
    higher, lower = headline_levels(evidence.estimands)
    answers = {row["outcome"]: row for row in headline_rows(evidence.estimands).to_dicts()}
    rows, said, shares_seen, failed = [], [], [], []
    units = {STORES: "kg", SURVIVAL: "points", STRENGTH: "frames"}
    for outcome in pool.outcomes:
        counted = missing_by_level(pool, outcome)
        share = {level: missing / max(n, 1) for level, n, missing, _ in counted}
        tip = None
        if outcome in answers and {higher, lower} <= set(share):
            tip = tipping_point(answers[outcome]["mean"], share[higher], share[lower])
        scale = 100.0 if outcome == SURVIVAL else 1.0
        for level, n, missing, mean in counted:
            known = (n - missing) * mean if n > missing else 0.0
            bounds = (known / n, (known + missing) / n) if outcome == SURVIVAL and n else None
            ends = tuple(scale * b for b in bounds) if bounds else (None, None)
            reported = scale * mean if n > missing else None
            own = tip if level == higher else None
            rows.append((outcome, level, n, missing, share[level], reported, *ends, own))
        compared = [share[level] for level in (higher, lower) if level in share] or list(
            share.values()
        )
        shares_seen.append(max(compared))
        if max(compared) > MUCH:
            failed.append(outcome)
        points = f", tipping point {tip:.1f} {units[outcome]}" if tip is not None else ""
        said.append(f"{outcome} up to {100 * max(compared):.0f} %{points}")
    table = pl.DataFrame([(*row, units[row[0]]) for row in rows], SCHEMA, orient="row")
    sentence = (
        f"Unreported at the levels compared: {'; '.join(said)}. The tipping point is how much "
        "worse the unreported of the better level would have to be than its reported, and how "
        "much better those of the other level, for no difference to remain."
    )
    reason = (
        f"Passes when at most {100 * LITTLE:.0f} % are unreported at the levels compared, fails "
        f"above {100 * MUCH:.0f} %, informs in between."
    )
    if not failed and max(shares_seen, default=0.0) > LITTLE:
        return ABOUT.informational(sentence, table, reason)
    return ABOUT.judged(tuple(failed), sentence, table, reason)
