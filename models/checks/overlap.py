"""Do colonies at different levels resemble each other enough to be compared?"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.optimize import minimize
from scipy.special import expit

from models.checks.base import About, Check, Evidence
from models.data import WIND, Pool

# Rubin (2001), Health Serv. Outcomes Res. Methodol. 2:169-188: beyond 0.5 regression cannot be
# trusted to adjust; 0.25 is the usual warning (Stuart 2010, Stat. Sci. 25:1-21). From memory.
WARNING, SEVERE = 0.25, 0.5
# With fewer of a level's colonies inside the other's range the answer is extrapolation
# (common practice, no source).
LEAST_COMMON = 0.5
TRIM = 0.01  # the range of propensities is taken without its outermost hundredths
RIDGE = 1.0  # a unit-normal prior on slopes: separation does not run off

ABOUT = About(
    "overlap",
    "Likeness of colonies between levels",
    "Were there comparable colonies at the levels that are compared?",
)
SCHEMA = {
    "level": pl.String,
    "covariate": pl.String,
    "n": pl.Int64,
    "n_none": pl.Int64,
    "mean": pl.Float64,
    "mean_none": pl.Float64,
    "difference_sd": pl.Float64,
    "common_support": pl.Float64,
}
COLUMNS = {
    "cold [K]": "cold_kd_per_day",
    "autumn strength [frames]": "autumn_strength_frames",
    "queen age [years]": "queen_age_years",
    "elevation [m]": "elevation_m",
    "autumn stores [kg]": "autumn_stores_kg",
    "treated against mites": "was_treated",
    "wind exposure (−1 to 1)": "wind",
}


def standardised_difference(one: np.ndarray, other: np.ndarray) -> float | None:
    """Difference of means over the pooled standard deviation; None when it cannot be told.

    Examples
    --------
    >>> standardised_difference(np.array([1.0, 3.0]), np.array([0.0, 2.0])).__round__(3)
    0.707
    """
    if min(len(one), len(other)) < 2:
        return None
    pooled = np.sqrt((one.var(ddof=1) + other.var(ddof=1)) / 2.0)
    return float((one.mean() - other.mean()) / pooled) if pooled > 0 else None


def propensity(design: np.ndarray, is_treated: np.ndarray) -> np.ndarray:
    """Chance of the treated level given standardised covariates, by a ridged logistic regression.

    Parameters
    ----------
    design : numpy.ndarray, shape (unit, covariate)
    is_treated : numpy.ndarray of bool, shape (unit,)
    """
    x = np.column_stack([np.ones(len(design)), design])
    ridge = np.r_[1e-6, np.full(design.shape[1], RIDGE)]
    y = is_treated.astype(float)

    def loss(b: np.ndarray) -> tuple[float, np.ndarray]:
        eta = x @ b
        value = np.logaddexp(0.0, eta).sum() - y @ eta + 0.5 * np.sum(ridge * b**2)
        return float(value), x.T @ (expit(eta) - y) + ridge * b

    found = minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B")
    return expit(x @ found.x)


def common_support(chance: np.ndarray, is_treated: np.ndarray) -> float:
    """Least share, of the two groups, whose chance lies within the range of the other's."""
    shares = []
    for own, other in ((is_treated, ~is_treated), (~is_treated, is_treated)):
        low, high = np.quantile(chance[other], [TRIM, 1.0 - TRIM])
        shares.append(float(np.mean((chance[own] >= low) & (chance[own] <= high))))
    return min(shares)


def _design(pool: Pool) -> np.ndarray:
    every = [*pool.covariates, *([pool.autumn_stores] if pool.autumn_stores else [])]
    columns = [c.mean for c in every] + [pool.treated]
    return np.column_stack([(c - c.mean()) / (c.std() or 1.0) for c in columns])


def check_overlap(evidence: Evidence) -> Check:
    """Compare recorded covariates of each level with those of none.

    Standardised differences are of recorded values. The propensity uses the model's covariates,
    gaps filled by their expectation; members and places, for which the model has effects and
    shares of levels, are not in it.
    """
    pool = evidence.pool
    if "none" not in pool.levels or len(pool.levels) < 2:
        return ABOUT.not_run("Fewer than two levels, or no uninsulated colonies, were analysed.")
    named = dict(zip(pool.unit_names, pool.level, strict=True))
    frame = evidence.colony_winters.with_columns(
        unit=pl.format("{} {}", "colony_id", "winter"),
        wind=pl.col("wind_exposure").cast(pl.String).replace_strict(WIND, default=None),
    )
    frame = frame.with_columns(
        level_no=pl.col("unit").replace_strict(named, default=None, return_dtype=pl.Int64)
    ).drop_nulls("level_no")
    is_none, design = pool.level == pool.levels.index("none"), _design(pool)
    rows, supports, worst = [], {}, (0.0, "", "")
    for k, level in enumerate(pool.levels):
        if level == "none":
            continue
        both = is_none | (pool.level == k)
        is_at = (pool.level == k)[both]
        supports[level] = common_support(propensity(design[both], is_at), is_at)
        for name, column in COLUMNS.items():
            values = frame.select("level_no", pl.col(column).cast(pl.Float64)).drop_nulls()
            one = values.filter(pl.col("level_no") == k)[column].to_numpy()
            other = values.filter(pl.col("level_no") == pool.levels.index("none"))[
                column
            ].to_numpy()
            size = standardised_difference(one, other)
            if size is None:
                continue
            if abs(size) > worst[0]:
                worst = (abs(size), name, level)
            means = (float(one.mean()), float(other.mean()))
            rows.append((level, name, len(one), len(other), *means, size, supports[level]))
    table = pl.DataFrame(rows, SCHEMA, orient="row")
    least = min(supports, key=lambda level: supports[level])
    n_warned = int((table["difference_sd"].abs() > WARNING).sum())
    sentence = (
        f"Least alike is level {least}: {100 * supports[least]:.0f} % of its colonies, or of the "
        "uninsulated ones, lie where the other group has any. The largest standardised difference "
        f"is {worst[0]:.2f} ({worst[1]}, {worst[2]} against none); {n_warned} of {len(rows)} are "
        f"above {WARNING}."
    )
    reason = (
        f"Fails when fewer than {100 * LEAST_COMMON:.0f} % have counterparts at any level; passes "
        f"when no difference is above {WARNING}; in between it informs (above {SEVERE} adjustment "
        "by regression should not be trusted)."
    )
    if supports[least] < LEAST_COMMON:
        return ABOUT.judged(pool.outcomes, sentence, table, reason)
    if n_warned:
        return ABOUT.informational(sentence, table, reason)
    return ABOUT.judged((), sentence, table, reason)
