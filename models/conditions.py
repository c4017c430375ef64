"""How the answer hangs on the cold and the top opening, and the mite load on treatment.

The pool is standardised as in ``estimands``; here every place is given the same cold, or every
colony an open or a closed top.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
import xarray as xr

from models.data import Pool
from models.estimands import flat_draws
from models.side_by_side import side_by_side
from models.standardised import COLD, FEW_DRAWS, SIGNS, Standardised
from models.tables import ESTIMATED, MEASURES

OPENING, TREATMENT = "top opening", "treatment"
MITE_LOAD = "mite load"
ANY, EARLIER = "any treatment", "30 days earlier"
POINTS: Final = 7
SCHEMA: Final = {
    "condition": pl.String,  # what is varied
    "outcome": pl.String,
    "contrast": pl.String,
    "value": pl.Float64,  # cold [K·day per day]; days from treatment to the reference date
    "unit": pl.String,
    "mean": pl.Float64,
    "q2.5": pl.Float64,
    "q97.5": pl.Float64,
}


def treatment_effects(pool: Pool, posterior: xr.Dataset) -> dict[str, np.ndarray]:
    """Draws of what a treatment does to the log mite load at the reference date.

    Parameters
    ----------
    pool : Pool
    posterior : xarray.Dataset, dims (chain, draw, ...)

    Returns
    -------
    dict of str to numpy.ndarray, shape (draw,)
        ``any treatment``: what types have in common, given when most were; then each type; and
        ``30 days earlier``: what that adds. Only what the model has.
    """
    if "treatment_effect" not in posterior:
        return {}
    common = flat_draws(posterior["treatment_effect"])
    made = {ANY: common}
    if pool.treatments.has_types:
        own = flat_draws(posterior["treatment_type_z"])
        own = own * flat_draws(posterior["treatment_type_sd"])[:, None]
        made |= {name: common + own[:, k] for k, name in enumerate(pool.treatments.types)}
    if pool.treatments.has_timing:
        made[EARLIER] = flat_draws(posterior["treatment_regrowth"])
    return made


def _treatment_rows(pool: Pool, posterior: xr.Dataset) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    days = pool.treatments.usual_days
    for contrast, draws in treatment_effects(pool, posterior).items():
        change = 100.0 * np.expm1(draws)
        low, high = np.quantile(change, [0.025, 0.975])
        rows.append(
            {
                "condition": TREATMENT,
                "outcome": MITE_LOAD,
                "contrast": contrast,
                "value": days if np.isfinite(days) else None,
                "unit": "%",
                "mean": float(change.mean()),
                "q2.5": float(low),
                "q97.5": float(high),
            }
        )
    return rows


def _row(
    condition: str, outcome: str, contrast: str, value: float | None, draws: np.ndarray
) -> dict[str, object]:
    low, high = np.quantile(draws, [0.025, 0.975])
    return {
        "condition": condition,
        "outcome": outcome,
        "contrast": contrast,
        "value": value,
        "unit": MEASURES[outcome]["difference"],
        "mean": float(draws.mean()),
        "q2.5": float(low),
        "q97.5": float(high),
    }


def conditions_table(pool: Pool, posterior: xr.Dataset, estimands: pl.DataFrame) -> pl.DataFrame:
    """Contrasts by cold, what an open top adds at none and at full, and treatments' effects.

    Parameters
    ----------
    pool : Pool
    posterior : xarray.Dataset, dims (chain, draw, ...)
        Of a fit that passed its gates.
    estimands : polars.DataFrame
        Only contrasts estimated there have rows here.

    Returns
    -------
    polars.DataFrame
        ``conditions.csv``. ``cold``: the contrast of the fullest level with none, were every
        place as cold as ``value``, between the 5th and 95th percentile of the colony-winters'
        cold.
        ``top opening``: what an open top does against a closed one at a level. Positive is
        a benefit. ``treatment``: change of the mite load at the reference date [%], treated
        against untreated; negative is fewer mites, and ``value`` says how many days before.
    """
    known = estimands.filter(
        (pl.col("status") == ESTIMATED)
        & (pl.col("measure") == "difference")
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == "these winters")
    )
    answered = set(known.select("outcome", "contrast").iter_rows())
    compared = {(outcome, contrast.removesuffix(" vs none")) for outcome, contrast in answered}
    made = Standardised(pool, posterior, FEW_DRAWS)
    rows = []
    cold = next((c for c in pool.covariates if c.name == COLD), None)
    if cold is not None and pool.has("cold"):
        low, high = np.nanquantile(pool.cold_raw, [0.05, 0.95])
        fullest = {
            outcome: next((k for k in pool.levels[:0:-1] if (outcome, k) in compared), None)
            for outcome in pool.outcomes
        }
        asked = [
            (float(value), outcome, level)
            for value in np.linspace(low, high, POINTS)
            for outcome, level in fullest.items()
            if level is not None
        ]

        def gain_of(one: tuple[float, str, str]) -> np.ndarray:
            value, outcome, level = one
            standard = (value - cold.location) / cold.scale
            without = made.mean(outcome, "none", cold=standard)
            return SIGNS[outcome] * (made.mean(outcome, level, cold=standard) - without)

        rows = [
            _row(COLD, outcome, f"{level} vs none", value, gain)
            for (value, outcome, level), gain in zip(
                asked, side_by_side(gain_of, asked), strict=True
            )
        ]
    if pool.has("top opening"):
        for outcome in pool.outcomes:
            if (outcome, "full closed vs none") not in answered:
                continue
            for level in ("none", "full"):
                gain = made.mean(outcome, level, 1.0) - made.mean(outcome, level, 0.0)
                contrast = f"{level}: open vs closed"
                rows.append(_row(OPENING, outcome, contrast, None, SIGNS[outcome] * gain))
    rows += _treatment_rows(pool, posterior) if answered else []
    return pl.DataFrame(rows, SCHEMA)
