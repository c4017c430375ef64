"""How precise a randomised trial of full against none can be, before it is begun.

A trial has the same number of colonies in each apiary and winter, half of them at each level.
Its analysis is the generalised least squares of a mixed model with a level for each apiary-winter
and the gain varying between apiaries and between winters: for a balanced trial the mean of the
differences inside apiary-winters, whose variance is a sum (``trial_variance``). The model's prior
of the gain is added as in any normal model. So no trial need be simulated colony by colony: over
each draw of what is known now the trial's own chance is integrated exactly.

Two questions are told apart: the gain in the trial's own apiaries and winters, as the report's
"these winters"; and in apiaries and winters like these, where the spreads of the gain count. The
analysis takes those spreads at their mean square over the draws: few winters cannot teach them.

Beside full fits of three trials of 80 colonies (``tests/recovery/test_trial_width.py``) the fitted
intervals were on average 1.07 times as wide for stores, 1.26 for survival (0.99 to 1.63) and 1.03
for spring strength: few colonies leave survival itself, and so its noise, poorly known.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
import polars as pl
from scipy.stats import norm

from models.tables import MEASURES
from models.trial.expectations import Expected
from models.vocabulary import OUTCOMES

OWN, GENERAL = TARGETS = ("its own apiaries and winters", "apiaries and winters like these")
COVERED: Final = 0.89
Z: Final = float(norm.ppf(0.5 + COVERED / 2.0))
MOST_COLONIES: Final = 200  # an apiary: above that nobody keeps them in one place
RULE: Final = (
    "A finding is decisive when its 89 % interval leaves out zero: either way the chance of the "
    "other sign is then below 5.5 %."
)
PRECISION_SCHEMA: Final = {
    "outcome": pl.String,
    "unit": pl.String,
    "target": pl.String,
    "colonies": pl.Int64,
    "apiaries": pl.Int64,
    "winters": pl.Int64,
    "colony_winters": pl.Int64,
    "width": pl.Float64,
    "width_low": pl.Float64,
    "width_high": pl.Float64,
    "p_decisive": pl.Float64,
    "p_benefit": pl.Float64,
    "p_harm": pl.Float64,
    "source": pl.String,
}
SMALLEST_SCHEMA: Final = {
    "outcome": pl.String,
    "unit": pl.String,
    "target": pl.String,
    "asked_width": pl.Float64,
    "apiaries": pl.Int64,
    "winters": pl.Int64,
    "colonies": pl.Int64,
    "colony_winters": pl.Int64,
    "least_width": pl.Float64,
    "is_smallest": pl.Boolean,
}


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial's size: colonies in each apiary and winter (two at least), apiaries, winters."""

    colonies: int
    apiaries: int
    winters: int

    @property
    def colony_winters(self) -> int:
        """Units in all."""
        return self.colonies * self.apiaries * self.winters


def trial_variance(expected: Expected, trial: Trial) -> np.ndarray:
    """Variance of the mean difference inside apiary-winters, from colonies alone; shape (draw,).

    Notes
    -----
    Where the number of colonies is odd, the odd one stands at either level by turns, and
    apiary-winters count by their precision.
    """
    few, many = trial.colonies // 2, trial.colonies - trial.colonies // 2
    none, full = expected.none_sd**2, expected.full_sd**2
    precision = 0.5 / (none / few + full / many) + 0.5 / (none / many + full / few)
    return 1.0 / (precision * trial.apiaries * trial.winters)


@dataclass(frozen=True, slots=True)
class Analysis:
    """What the analysis of a trial would look like; every array has shape (draw,).

    Attributes
    ----------
    width : numpy.ndarray
        Of the 89 % interval.
    p_benefit, p_harm : numpy.ndarray
        Chance that the interval lies above zero, and below.
    """

    width: np.ndarray
    p_benefit: np.ndarray
    p_harm: np.ndarray


def analyse(expected: Expected, trial: Trial, target: str) -> Analysis:
    """Analyse every trial that may come of each draw.

    Parameters
    ----------
    expected : Expected
    trial : Trial
    target : {"its own apiaries and winters", "apiaries and winters like these"}
    """

    def varying(apiary: np.ndarray, winter: np.ndarray) -> np.ndarray:
        return apiary**2 / trial.apiaries + winter**2 / trial.winters

    own = trial_variance(expected, trial)
    true = varying(expected.apiary_sd, expected.winter_sd)
    supposed = float(np.mean(true))
    prior = float(np.mean(expected.prior_sd**2))
    before, seen = (prior, own + supposed) if target == GENERAL else (prior + supposed, own)
    after = 1.0 / (1.0 / before + 1.0 / seen)
    half = Z * np.sqrt(after)
    least = half * seen / after  # an estimate beyond it is decisive: the prior draws it to zero
    chance = np.sqrt(own + true)
    return Analysis(
        width=2.0 * half,
        p_benefit=norm.cdf((expected.gain - least) / chance),
        p_harm=norm.cdf((-expected.gain - least) / chance),
    )


def precision_table(
    expected: dict[str, Expected],
    colonies: Sequence[int],
    apiaries: Sequence[int],
    winters: Sequence[int],
) -> pl.DataFrame:
    """Expected precision over a grid of trials.

    Parameters
    ----------
    expected : dict of str to Expected
    colonies, apiaries, winters : sequence of int

    Returns
    -------
    polars.DataFrame
        As ``PRECISION_SCHEMA``: ``width`` is the mean over draws and ``width_low``,
        ``width_high`` hold 89 % of them; ``p_decisive`` is ``p_benefit`` plus ``p_harm``.
    """
    rows = []
    for outcome, target in product(OUTCOMES, TARGETS):
        own = expected[outcome]
        for n, a, w in product(colonies, apiaries, winters):
            trial = Trial(n, a, w)
            made = analyse(own, trial, target)
            low, high = np.quantile(made.width, [0.5 - COVERED / 2, 0.5 + COVERED / 2])
            benefit, harm = float(made.p_benefit.mean()), float(made.p_harm.mean())
            rows.append(
                {
                    "outcome": outcome,
                    "unit": MEASURES[outcome]["difference"],
                    "target": target,
                    "colonies": n,
                    "apiaries": a,
                    "winters": w,
                    "colony_winters": trial.colony_winters,
                    "width": float(made.width.mean()),
                    "width_low": float(low),
                    "width_high": float(high),
                    "p_decisive": benefit + harm,
                    "p_benefit": benefit,
                    "p_harm": harm,
                    "source": own.source,
                }
            )
    return pl.DataFrame(rows, schema=PRECISION_SCHEMA)


def _mean_width(expected: Expected, trial: Trial, target: str) -> float:
    return float(analyse(expected, trial, target).width.mean())


def least_colonies(
    expected: Expected, apiaries: int, winters: int, target: str, width: float
) -> int | None:
    """Fewest colonies an apiary and winter that reach a width; None when not 200 do."""

    def reaches(n: int) -> bool:
        return _mean_width(expected, Trial(n, apiaries, winters), target) <= width

    if not reaches(MOST_COLONIES):
        return None
    low, high = 1, MOST_COLONIES  # width falls with every colony: halve what is between
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high


def smallest_pools(
    expected: dict[str, Expected],
    apiaries: Iterable[int],
    winters: Iterable[int],
    widths: dict[str, float],
) -> pl.DataFrame:
    """Find the smallest pools whose interval is expected to be narrow enough.

    Parameters
    ----------
    expected : dict of str to Expected
    apiaries, winters : iterable of int
        Pools are looked for with each number of both.
    widths : dict of str to float
        By outcome, the width asked for.

    Returns
    -------
    polars.DataFrame
        As ``SMALLEST_SCHEMA``: ``colonies`` is null where ``MOST_COLONIES`` an apiary do not
        reach the width, and ``least_width`` is what they reach. ``is_smallest`` marks the fewest
        colony-winters of each outcome and target; of equals the fewest winters.
    """
    rows = []
    for outcome, target in product(widths, TARGETS):
        own, found = expected[outcome], []
        for a, w in product(apiaries, winters):
            n = least_colonies(own, a, w, target, widths[outcome])
            found.append(
                {
                    "outcome": outcome,
                    "unit": MEASURES[outcome]["difference"],
                    "target": target,
                    "asked_width": widths[outcome],
                    "apiaries": a,
                    "winters": w,
                    "colonies": n,
                    "colony_winters": None if n is None else n * a * w,
                    "least_width": _mean_width(own, Trial(MOST_COLONIES, a, w), target),
                    "is_smallest": False,
                }
            )
        reached = [row for row in found if row["colonies"] is not None]
        if reached:
            best = min(reached, key=lambda r: (r["colony_winters"], r["winters"], r["apiaries"]))
            best["is_smallest"] = True
        rows += found
    return pl.DataFrame(rows, schema=SMALLEST_SCHEMA)
