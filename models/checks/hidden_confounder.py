"""How strong something nobody recorded would have to be to make the answer out of nothing."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.checks.base import NO_POSTERIOR, About, Check, Evidence
from models.checks.headline import headline_rows
from models.e_values import (
    bias_grid,
    e_value,
    limit_e_value,
    risk_ratio_of_difference,
)
from models.vocabulary import STORES, SURVIVAL

ABOUT = About(
    "hidden_confounder",
    "Something nobody recorded",
    "How strong would an unrecorded difference between colonies have to be to explain the answer?",
)


def _survival_ratios(evidence: Evidence) -> dict[str, tuple[float, float, float]]:
    """Ratio of surviving and of being lost between the headline's sides, with 95 % limits."""
    headline = evidence.headline
    if headline is None or SURVIVAL not in headline.base:
        return {}
    base, other = headline.mean(SURVIVAL, "base"), headline.mean(SURVIVAL, "other")
    made = {}
    for name, draws in (
        ("ratio of surviving", other / base),
        ("ratio of being lost", (1.0 - other) / (1.0 - base)),
    ):
        low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975])
        made[name] = (float(middle), float(low), float(high))
    return made


def _stores_ratio(evidence: Evidence) -> dict[str, tuple[float, float, float]]:
    """Stores saved, per standard deviation of the records, as an approximate risk ratio."""
    rows = headline_rows(evidence.estimands).filter(pl.col("outcome") == STORES)
    spread = float(np.std(evidence.pool.observed[STORES].value, ddof=1)) if rows.height else 0.0
    if not spread:
        return {}
    mean, sd = float(rows["mean"][0]) / spread, float(rows["sd"][0]) / spread
    return {"stores saved, as a risk ratio": risk_ratio_of_difference(mean, sd)}


def check_hidden_confounder(evidence: Evidence) -> Check:
    """Give E-values and a two-way grid; no threshold says how much hidden bias is likely.

    References
    ----------
    VanderWeele, Ding (2017), Ann. Intern. Med. 167:268-274, doi:10.7326/M16-2607.
    """
    if evidence.posterior is None:
        return ABOUT.not_run(NO_POSTERIOR)
    ratios = _survival_ratios(evidence) | _stores_ratio(evidence)
    if not ratios:
        return ABOUT.not_run("Neither survival nor stores use has a headline estimate.")
    tables, said = [], []
    for name, (ratio, low, high) in ratios.items():
        own, limit = e_value(ratio), limit_e_value(ratio, low, high)
        grid = bias_grid(ratio, low, high)
        tables.append(
            grid.select(
                pl.lit(name).alias("answer"),
                pl.lit(own).alias("e_value"),
                pl.lit(limit).alias("limit_e_value"),
                *grid.columns,
            )
        )
        within = "the interval holds no difference already" if limit == 1.0 else f"{limit:.2f}"
        said.append(f"{name} {ratio:.2f}: {own:.2f} (for its interval: {within})")
    sentence = (
        "Something unrecorded would have to be tied both to the set-up and to the outcome by at "
        f"least these risk ratios to explain the answer away: {'; '.join(said)}."
    )
    reason = (
        "No threshold: how strong a hidden difference can be is a matter of knowledge about bees "
        "and keepers. Strong colonies given the better box would be one."
    )
    return ABOUT.informational(sentence, pl.concat(tables), reason)
