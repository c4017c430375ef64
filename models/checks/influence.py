"""How far the answer moves without one member, or without one apiary, by reweighting draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.checks.base import NO_POSTERIOR, About, Check, Evidence
from models.checks.headline import Headline, headline_rows, unit_of
from models.checks.left_out_record import good_k, left_out_weights
from models.marginal import log_marginal_density

# A shift of one posterior standard deviation by a single keeper would be news to any reader;
# half of one is seen by chance with few members (common practice, no source).
MOST_SHIFT_SD = 1.0
# Matrices grow with the square of the records; who sends more than this is refitted without.
MOST_RECORDS = 400

ABOUT = About(
    "influence",
    "Influence of single members and apiaries",
    "Does the answer hang on one member or one apiary?",
)
SCHEMA = {
    "left_out": pl.String,
    "rank": pl.Int64,
    "outcome": pl.String,
    "n_units": pl.Int64,
    "unit": pl.String,
    "without": pl.Float64,
    "shift": pl.Float64,
    "shift_sd": pl.Float64,
    "k": pl.Float64,
    "note": pl.String,
}
NEEDS_REFIT = "needs a refit"


@dataclass(frozen=True, slots=True)
class Left:
    """One member or apiary left out: ``shift`` is by outcome; None where weights fail."""

    kind: str
    index: int
    n_units: int
    k: float
    without: dict[str, float]
    shift_sd: dict[str, float]

    def is_reliable(self, limit: float) -> bool:
        """Whether the weights can be trusted."""
        return self.k <= limit


def reweighted(
    headline: Headline, outcome: str, kept: np.ndarray, weights: np.ndarray, drawn: slice
) -> tuple[float, float]:
    """Mean of the headline over the groups kept under the weights, and its shift in sd.

    The shift is from the mean of all groups under equal weights, per its posterior standard
    deviation. The weights are of the draws ``drawn``.
    """
    whole = headline.benefit(outcome)[drawn]
    without = float(weights @ headline.benefit(outcome, kept)[drawn])
    return without, (without - float(whole.mean())) / float(whole.std(ddof=1))


def leave_each_out(evidence: Evidence) -> list[Left]:
    """Leave out each member, and each apiary of members who keep several.

    Returns
    -------
    list of Left
        ``index`` is the place in ``pool.members`` or ``pool.apiaries``. The answer without them is
        over the colony-winters that stay. Shares of levels and standardised covariates keep
        the whole pool's centre, which a refit would move a little.
    """
    pool, leaving = evidence.pool, evidence.leaving_out
    rows, headline = headline_rows(evidence.estimands), evidence.headline
    if headline is None:
        return []
    outcomes = [o for o in rows["outcome"].to_list() if o in headline.base]
    drawn = evidence.leaving_out_rows
    several = np.bincount(pool.apiary_member, minlength=len(pool.members)) > 1
    targets = [
        ("member", m, pool.member == m, pool.apiary_member != m) for m in range(len(pool.members))
    ]
    targets += [
        ("apiary", a, pool.apiary == a, np.arange(len(pool.apiaries)) != a)
        for a in range(len(pool.apiaries))
        if several[pool.apiary_member[a]]
    ]
    made = []
    for kind, index, is_out, kept in targets:
        units = np.flatnonzero(is_out)
        if not len(units) or not kept.any():
            continue
        k, weights = np.inf, np.full(leaving.draws.n, 1.0 / leaving.draws.n)
        if leaving.count_records(units) <= MOST_RECORDS:
            weights, k = left_out_weights(log_marginal_density(leaving, leaving.leave_out(units)))
        moved = {o: reweighted(headline, o, kept, weights, drawn) for o in outcomes}
        without = {o: value for o, (value, _) in moved.items()}
        shift = {o: by for o, (_, by) in moved.items()}
        made.append(Left(kind, index, len(units), float(k), without, shift))
    return made


def _table(evidence: Evidence, made: list[Left], limit: float) -> pl.DataFrame:
    """List what moves the answer, by rank within members and apiaries and outcome."""
    whole = {row["outcome"]: row["mean"] for row in headline_rows(evidence.estimands).to_dicts()}
    rows = []
    for kind in ("member", "apiary"):
        own = [left for left in made if left.kind == kind]
        for outcome in own[0].without if own else ():
            ranked = sorted(
                own, key=lambda left: (not left.is_reliable(limit), -abs(left.shift_sd[outcome]))
            )
            for rank, left in enumerate(ranked, start=1):
                is_sure = left.is_reliable(limit)
                numbers = (
                    left.without[outcome],
                    left.without[outcome] - whole[outcome],
                    left.shift_sd[outcome],
                )
                rows.append(
                    (
                        kind,
                        rank,
                        outcome,
                        left.n_units,
                        unit_of(outcome),
                        *(numbers if is_sure else (None, None, None)),
                        left.k if np.isfinite(left.k) else None,
                        "" if is_sure else NEEDS_REFIT,
                    )
                )
    return pl.DataFrame(rows, SCHEMA, orient="row")


def check_influence(evidence: Evidence) -> Check:
    """Leave out each member and apiary in turn, without a refit.

    Weights are one over the likelihood of all their records, what is theirs alone integrated out
    (conditional on their own effects the weights would never hold).

    References
    ----------
    Vehtari, Simpson, Gelman, Yao, Gabry (2024), J. Mach. Learn. Res. 25(72):1-58; Merkle, Furr,
    Rabe-Hesketh (2019), Psychometrika 84:802-829, for marginal likelihoods (from memory).
    """
    if evidence.headline is None:
        return ABOUT.not_run(NO_POSTERIOR)
    if len(evidence.pool.members) < 2:
        return ABOUT.not_run("Only one member sent records: there is nobody to leave out.")
    limit = good_k(evidence.leaving_out.draws.n)
    made = leave_each_out(evidence)
    table = _table(evidence, made, limit)
    sure = [left for left in made if left.is_reliable(limit)]
    failed, said = [], []
    for outcome in made[0].without:
        shifts = [abs(left.shift_sd[outcome]) for left in sure]
        most = max(shifts, default=0.0)
        if most > MOST_SHIFT_SD:
            failed.append(outcome)
        said.append(f"{outcome} by at most {most:.2f}")
    n_open = len(made) - len(sure)
    sentence = (
        f"Without any one of {len(sure)} members and apiaries the answer moves, in posterior "
        f"standard deviations: {'; '.join(said)}."
        if sure
        else "No member or apiary can be left out by reweighting alone."
    )
    if n_open:
        sentence += f" {n_open} cannot be judged by reweighting and need a refit."
    reason = (
        f"Fails when leaving one out moves the answer by more than {MOST_SHIFT_SD:.0f} posterior "
        f"standard deviation; passes only when all could be judged. Weights with k above "
        f"{limit:.2f} are not used."
    )
    if n_open and not failed:
        return ABOUT.informational(sentence, table, reason)
    return ABOUT.judged(tuple(failed), sentence, table, reason)
