"""A falsification outcome: strength in autumn, counted before the set-up was put on.

No wrap can have made it. Where a model like the study's own still finds that the level "moves" it,
keepers gave their stronger (or weaker) colonies other set-ups within one yard, and what else they
saw in them may stand behind the answer. A difference in strength itself is adjusted for in the
joint model; hidden vigour beyond it is not, and this outcome cannot see it either.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl
import pymc as pm
import pytensor.tensor as pt

from models.compiled import compile_functions
from models.data import Pool
from models.refits.base import (
    FRAMES,
    Budget,
    Records,
    estimated_row,
    level_of,
    refused_row,
)
from models.spreads import add_spread
from models.tables import ESTIMATED
from models.vocabulary import LEVELS
from pipeline.progress import Progress
from pipeline.settings import ModelSettings

OUTCOME: Final = "autumn strength"
# Known before the set-up. The winter's cold comes after it; mites are counted about the same days.
KNOWN_BEFORE: Final = ("queen age", "wind exposure", "elevation")


@dataclass(frozen=True, slots=True)
class AutumnPriors:
    """Priors in frames of bees."""

    intercept_mu: float = 8.0  # a colony going into winter; common practice, no source
    intercept_sd: float = 4.0
    step_sd: float = 1.0  # fixed: 95 %, one level up goes with less than two frames; sign free
    slope_sd: float = 1.0  # fixed: one standard deviation of a covariate, an open top, treatment
    share_sd: float = 3.0  # fixed, 3 times the step: only colonies of one yard are compared
    yard_sd: float = 1.5  # spread between yards of one autumn
    winter_sd: float = 1.5  # fixed: a good summer
    colony_sd: float = 0.8  # spread of what a colony keeps over winters
    residual_sd: float = 2.0  # half-normal: colonies alike in all else


@dataclass(frozen=True, slots=True)
class Counted:
    """Units whose strength was counted before their set-up was complete.

    Attributes
    ----------
    names : tuple of str
        Coefficients: steps first, then the rest.
    design : numpy.ndarray, shape (unit, coefficient)
    scale : numpy.ndarray, shape (coefficient,)
    yard, winter, colony : numpy.ndarray of int, shape (unit,)
    frames : numpy.ndarray, shape (unit,)
    error_sd : numpy.ndarray, shape (unit,)
        Of a count of the units' mean frames by the unit's method: one that grew with its own
        count would let high counts weigh less.
    levels : tuple of str
    level : numpy.ndarray of int, shape (unit,)
    n_after : int
        Units left out because they were counted after the set-up.
    """

    names: tuple[str, ...]
    design: np.ndarray
    scale: np.ndarray
    yard: np.ndarray
    winter: np.ndarray
    colony: np.ndarray
    frames: np.ndarray
    error_sd: np.ndarray
    levels: tuple[str, ...]
    level: np.ndarray
    n_after: int


def _codes(values: np.ndarray) -> np.ndarray:
    return np.unique(values, return_inverse=True)[1]


def _counts(pool: Pool, records: Records, set_ups: pl.DataFrame) -> pl.DataFrame:
    """Frames and counting error of the pool's units, in its order; whether counted after."""
    keys = ["colony_id", "winter"]
    counted = records.colony_winters.join(
        set_ups.select(*keys, set_up_on=pl.col("installed_on")), on=keys, how="left"
    ).select(
        pl.format("{} {}", *keys).alias("unit"),
        pl.col("autumn_strength_frames").cast(pl.Float64).alias("frames"),
        pl.col("autumn_strength_sd_frames").cast(pl.Float64).fill_null(0.0).alias("error_sd"),
        (pl.col("autumn_strength_on") > pl.col("set_up_on")).fill_null(False).alias("is_after"),
    )
    order = pl.DataFrame({"unit": list(pool.unit_names)}, schema={"unit": pl.String})
    return order.join(counted, on="unit", how="left", maintain_order="left")


def count_before(pool: Pool, records: Records, set_ups: pl.DataFrame) -> Counted:
    """Pack the units counted before the set-up.

    Parameters
    ----------
    pool : Pool
        The study's own.
    records : Records
    set_ups : polars.DataFrame
        The record: colony_id, winter, installed_on. A count without a date, or of a set-up
        without one, is taken as before.

    Returns
    -------
    Counted
    """
    priors = AutumnPriors()
    counts = _counts(pool, records, set_ups)
    is_known = counts["frames"].is_not_null().to_numpy()
    is_after = counts["is_after"].fill_null(False).to_numpy() & is_known
    rows = np.flatnonzero(is_known & ~is_after)
    present = [k for k in range(len(pool.levels)) if (pool.level[rows] == k).any()]
    level = np.searchsorted(present, pool.level[rows])
    levels = tuple(pool.levels[k] for k in present)
    yard = _codes(pool.apiary_winter[rows])
    gaps = np.sqrt(np.diff([LEVELS.index(name) for name in levels]))
    columns: dict[str, tuple[np.ndarray, float]] = {}
    for k, name in enumerate(levels[1:], start=1):
        columns[f"step to {name}"] = ((level >= k) * 1.0, priors.step_sd * gaps[k - 1])
    for k, name in enumerate(levels[1:], start=1):
        share = np.bincount(yard, level == k) / np.bincount(yard)
        columns[f"yard share {name}"] = (share[yard], priors.share_sd)
    columns["top opening"] = (pool.opening[rows], priors.slope_sd)
    columns["treated"] = (pool.treated[rows], priors.slope_sd)
    for covariate in pool.covariates:
        if covariate.name in KNOWN_BEFORE:
            columns[f"slope of {covariate.name}"] = (covariate.mean[rows], priors.slope_sd)
    kept = {
        name: (values - values.mean(), scale)
        for name, (values, scale) in columns.items()
        if len(values) and np.ptp(values) > 0
    }
    frames = counts["frames"].to_numpy()[rows].astype(float)
    share = counts["error_sd"].to_numpy()[rows].astype(float) / frames
    return Counted(
        names=tuple(kept),
        design=np.column_stack([values for values, _ in kept.values()])
        if kept
        else np.zeros((len(rows), 0)),
        scale=np.array([scale for _, scale in kept.values()]),
        yard=yard,
        winter=_codes(pool.winter[rows]),
        colony=_codes(pool.colony[rows]),
        frames=frames,
        error_sd=share * frames.mean() if len(frames) else share,
        levels=levels,
        level=level,
        n_after=int(is_after.sum()),
    )


def build_autumn_model(counted: Counted, minimum_colonies: int) -> pm.Model:
    """Assemble the model: a linear one in frames, with yards, winters and colonies.

    Parameters
    ----------
    counted : Counted
        At least two levels.
    minimum_colonies : int
        So many colonies counted in several autumns earn an effect of their own.
    """
    priors = AutumnPriors()
    n_yards, n_winters = int(counted.yard.max()) + 1, int(counted.winter.max()) + 1
    coords = {"term": list(counted.names)}
    with pm.Model(coords=coords, check_bounds=False) as model:
        intercept = pm.Normal("intercept", priors.intercept_mu, priors.intercept_sd)
        coefficient = pm.Normal("coefficient", 0.0, counted.scale, dims="term")
        mean = intercept + pt.sum(counted.design * coefficient, axis=1)
        if n_yards > 1:
            z = pm.ZeroSumNormal("yard_z", 1.0, shape=n_yards)
            mean += add_spread("yard_sd", priors.yard_sd) * z[counted.yard]
        if n_winters > 1:
            effect = pm.ZeroSumNormal("winter_effect", priors.winter_sd, shape=n_winters)
            mean += effect[counted.winter]
        if (np.bincount(counted.colony) > 1).sum() >= minimum_colonies:
            z = pm.Normal("colony_z", shape=int(counted.colony.max()) + 1)
            mean += add_spread("colony_sd", priors.colony_sd) * z[counted.colony]
        residual = pm.HalfNormal("residual_sd", priors.residual_sd)
        sd = pt.sqrt(residual**2 + counted.error_sd**2)
        pm.Normal("frames", mean, sd, observed=counted.frames)
    return model


def _why_not(counted: Counted, level: str, minimum: int) -> str:
    why = "Cannot be estimated from these records, because "
    yards = []
    for name in (level, "none"):
        at = counted.levels.index(name) if name in counted.levels else -1
        is_at = counted.level == at
        if is_at.sum() < minimum:
            return (
                f"{why}fewer than {minimum} colonies at level {name} were counted in autumn "
                "before the set-up."
            )
        yards.append(set(counted.yard[is_at].tolist()))
    if not yards[0] & yards[1]:
        return f"{why}no yard had both {level} and none in one winter."
    return ""


def refit_autumn_strength(
    pool: Pool,
    records: Records,
    set_ups: pl.DataFrame,
    settings: ModelSettings,
    contrast: str,
    budget: Budget,
    progress: Progress,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Estimate what the set-up "does" to strength counted before it.

    Parameters
    ----------
    pool : Pool
        The study's own.
    records : Records
    set_ups : polars.DataFrame
    settings : ModelSettings
    contrast : str
        That of the study's own answer.
    budget : Budget
    progress : Progress

    Returns
    -------
    row : dict
        As ``base.ROWS_SCHEMA``: frames more at the higher level, in one yard and autumn.
    told : dict
        ``n_after``: units left out because they were counted after the set-up.
    """
    import nutpie

    counted = count_before(pool, records, set_ups)
    told: dict[str, Any] = {"n_after": counted.n_after}
    level, n = level_of(contrast), len(counted.frames)
    if why := _why_not(counted, level, settings.minimum_colonies):
        return refused_row(OUTCOME, n, why, FRAMES), told
    model = build_autumn_model(counted, settings.minimum_colonies)
    with progress.task("compiling the model of autumn strength"):
        compiled = compile_functions(model)
    steps = [f"step to {name}" for name in counted.levels[1 : counted.levels.index(level) + 1]]
    row: dict[str, Any] = {}
    for attempt in range(budget.retries + 1):
        factor = 2**attempt
        with progress.task("sampling autumn strength"):
            tree = nutpie.sample(
                compiled,
                draws=budget.draws * factor,
                tune=budget.tune * factor,
                chains=budget.chains,
                cores=min(settings.cores, budget.chains),
                seed=settings.seed + attempt,
                target_accept=settings.target_accept,
                progress_bar=False,
                save_warmup=False,
            )
        coefficient = tree["posterior"].ds["coefficient"].sel(term=steps)
        draws = coefficient.sum("term").transpose("chain", "draw").values.ravel()
        row = estimated_row(OUTCOME, draws, budget.chains, n, FRAMES)
        told["divergences"] = int(tree["sample_stats"].ds["diverging"].values.sum())
        if row["status"] == ESTIMATED:
            break
    return row, told
