"""Do two ways of counting mites agree where a colony was counted both ways in one autumn?"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import polars as pl

from models.checks.base import About, Check, Evidence

MOST_DAYS_APART = 14  # the load itself may grow by a third in that time (0.02 a day)
HALF_MITE = 0.5  # added to every count, so that a count of none has a logarithm
BOARD = "sticky board"

ABOUT = About(
    "mite_methods",
    "Agreement of mite counts",
    "Do different ways of counting mites agree where a colony was counted both ways?",
)
SCHEMA = {
    "method_a": pl.String,
    "method_b": pl.String,
    "n_pairs": pl.Int64,
    "ratio": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "agreement_low": pl.Float64,
    "agreement_high": pl.Float64,
}


def method_ratios(pairs: pl.DataFrame) -> tuple[float, float, float, float, float]:
    """Geometric mean ratio of two methods, its 95 % interval, and 95 % limits of agreement.

    Parameters
    ----------
    pairs : polars.DataFrame
        ``a`` and ``b``: readings above zero of the same colony by two methods; two rows at least.

    References
    ----------
    Bland, Altman (1986), Lancet 327:307-310, on the log scale (from memory).
    """
    log_ratio = (pairs["a"].log() - pairs["b"].log()).to_numpy()
    mean, sd, n = log_ratio.mean(), log_ratio.std(ddof=1), len(log_ratio)
    ends = np.array([0.0, -1.96 * sd / np.sqrt(n), 1.96 * sd / np.sqrt(n), -1.96 * sd, 1.96 * sd])
    ratio, low, high, below, above = np.exp(mean + ends)
    return float(ratio), float(low), float(high), float(below), float(above)


def check_mite_methods(evidence: Evidence) -> Check:
    """Compare counts of one colony-winter by two methods, at most two weeks apart.

    Counts with a treatment between them are left out. Boards are read as mites a day, all others
    as mites per 100 bees: a ratio with boards has that unit and only its spread says anything.
    """
    is_board = pl.col("method") == BOARD
    per = (
        pl.when(is_board)
        .then(pl.col("board_days").cast(pl.Float64))
        .otherwise(pl.col("bees_sampled").cast(pl.Float64) / 100.0)
    )
    counts = evidence.mite_samples.with_columns(
        pl.col("method").cast(pl.String), reading=(pl.col("mites_counted") + HALF_MITE) / per
    ).filter(pl.col("reading").is_finite())
    rows = []
    methods = sorted(set(counts["method"]), key=lambda name: (name == BOARD, name))
    for one, other in combinations(methods, 2):
        sides = [
            counts.filter(pl.col("method") == name).select(
                "colony_id", "winter", "sampled_on", "treatments_between", "reading"
            )
            for name in (one, other)
        ]
        apart = (pl.col("sampled_on") - pl.col("sampled_on_right")).dt.total_days().abs()
        pairs = (
            sides[0]
            .join(sides[1], on=["colony_id", "winter"])
            .filter(
                (apart <= MOST_DAYS_APART)
                & (pl.col("treatments_between") == pl.col("treatments_between_right"))
            )
            .group_by("colony_id", "winter")
            .agg(
                a=pl.col("reading").log().mean().exp(), b=pl.col("reading_right").log().mean().exp()
            )
            .sort("colony_id", "winter")
        )
        if pairs.height > 1:
            rows.append((one, other, pairs.height, *method_ratios(pairs)))
    if not rows:
        return ABOUT.not_run(
            "No two colony-winters were counted by the same two methods within "
            f"{MOST_DAYS_APART} days: ask members to count some colonies both ways."
        )
    said = [
        f"{a} reads {ratio:.2f} times {b} (95 % {low:.2f} to {high:.2f}; single pairs "
        f"{below:.2f} to {above:.2f}; {n} colonies)"
        for a, b, n, ratio, low, high, below, above in rows
    ]
    reason = (
        "No threshold: the model weighs methods by what is known of each; this shows the records."
    )
    sentence = f"Counted both ways, {'; '.join(said)}."
    return ABOUT.informational(sentence, pl.DataFrame(rows, SCHEMA, orient="row"), reason)
