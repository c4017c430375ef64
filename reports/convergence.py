"""Results files to the text that says whether the sampler converged, and which parts it had."""

from __future__ import annotations

import polars as pl

from reports.context import Pool
from reports.wording import number

FAILURES_SHOWN = 40
"""Most failed gates that are listed; all gates are in ``results/gates.csv``."""

_SUMMARY = {
    "quantity": pl.String,
    "n": pl.Int64,
    "r_hat": pl.Float64,
    "ess_bulk": pl.Float64,
    "ess_tail": pl.Float64,
    "threshold": pl.String,
    "verdict": pl.String,
}


def gate_sentence(pool: Pool) -> str:
    """Say how many gates were passed."""
    total, passed = pool.gates.height, int(pool.gates["passed"].sum())
    if total == 0 and not pool.estimands.is_empty():
        return "Nothing was sampled, because no contrast can be estimated from these records."
    if total == 0:
        return "The model has not been fitted, so there is nothing to judge."
    if passed == total:
        return f"All {number(total)} checks of the sampler were passed."
    return (
        f"{number(total - passed)} of {number(total)} checks of the sampler failed. "
        "While any fails, no estimate is shown as a number."
    )


def gate_summary(pool: Pool) -> pl.DataFrame:
    """Summarise the gates by what was judged: the worst value of each diagnostic.

    Returns
    -------
    polars.DataFrame
        quantity, n (how many were judged), r_hat (the highest), ess_bulk and ess_tail (the
        lowest), threshold, verdict; a check of the whole run stands alone.
    """
    is_estimand = pl.col("is_headline") & pl.col("quantity").str.contains(" | ", literal=True)
    group = (
        pl.when(pl.col("r_hat").is_null() & pl.col("ess_bulk").is_null())
        .then("quantity")
        .when(is_estimand)
        .then(pl.lit("estimates of ") + pl.col("quantity").str.split(" | ").list.first())
        .when("is_headline")
        .then(pl.lit("what the estimates rest on"))
        .otherwise(pl.lit("all other parameters"))
    )
    rows = pool.gates.group_by(group.alias("quantity"), "threshold", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("n"),
        pl.col("r_hat").max(),
        pl.col("ess_bulk", "ess_tail").min(),
        (~pl.col("passed")).sum().cast(pl.Int64).alias("n_failed"),
    )
    failed = pl.col("n_failed").map_elements(number, return_dtype=pl.String) + " failed"
    verdict = pl.when(pl.col("n_failed") == 0).then(pl.lit("passed")).otherwise(failed)
    return rows.with_columns(verdict=verdict).select(list(_SUMMARY)).cast(_SUMMARY)  # type: ignore[arg-type]


def failed_gates(pool: Pool) -> pl.DataFrame:
    """List the gates that failed, those of the estimates first; not too many."""
    return (
        pool.gates.filter(~pl.col("passed"))
        .sort(~pl.col("is_headline"), maintain_order=True)
        .head(FAILURES_SHOWN)
    )


def sampler_words(pool: Pool) -> str:
    """Explain the diagnostics, where there are any."""
    if pool.gates.is_empty():
        return ""
    return (
        "The estimates come from random draws made by several independent chains. *R-hat* "
        "compares the chains: near 1 they agree. *ESS*, the effective sample size, is the number "
        "of independent draws that would be as good: *bulk* for the middle of an estimate, *tail* "
        "for the ends of its interval. *Divergences* and *E-BFMI* tell whether the draws reached "
        "everywhere. Passing says that the sampler did its work, not that the model is right."
    )


def part_table(pool: Pool) -> pl.DataFrame:
    """List the model's parts: whether each is in, on how many units, and why not."""
    use = pl.when("is_included").then(pl.lit("in the model")).otherwise(pl.lit("left out"))
    return pool.parts.with_columns(use.alias("use"))
