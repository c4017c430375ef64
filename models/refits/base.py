"""What a refit changes, what it finds, and when it has moved the answer too far."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import polars as pl

from models.carried import Part
from models.checks.headline import headline_rows
from models.data import Pool
from models.diagnostics import diagnostics
from models.gates import OTHER_ESS, OTHER_R_HAT
from models.identify import FULL_CLOSED
from models.tables import ESTIMATED, MEASURES, NOT_CONVERGED, NOT_POSSIBLE
from models.vocabulary import OUTCOMES
from pipeline.settings import Settings

# A reader who took the answer's own spread for all there is to doubt would be surprised by more
# than one of it: the same limit as for leaving out one member (common practice, no source).
MOST_SHIFT_SD: Final = 1.0
# Fewer records move an answer by chance too. With records taken away at random the shift has
# variance sd_refit² - sd_own² (Hausman 1978, Econometrica 46:1251-1271, from memory); two of its
# standard deviations are exceeded by chance once in twenty.
MOST_CHANCE_SD: Final = 2.0
RULE: Final = (
    f"Fails for an outcome when its answer moves by more than {MOST_SHIFT_SD:.0f} posterior "
    f"standard deviation of the study's own fit, and by more than {MOST_CHANCE_SD:.0f} standard "
    "deviations of what records taken away at random would move it. Refits have fewer draws "
    f"and are judged by R-hat < {OTHER_R_HAT} and ESS > {OTHER_ESS:.0f} of the answer alone."
)


AUTUMN_STRENGTH: Final = "autumn_strength"
"""Name of the refit whose outcome the set-up cannot have made."""
CUT: Final = "mites_from_counts"
"""Name of the refit whose mites are learnt from their counts alone."""
FRAMES: Final = "frames"
SAME: Final = 1e-9  # sums in another order differ by less


@dataclass(frozen=True, slots=True)
class Budget:
    """Draws of one refit: enough for a mean and 95 % limits, fewer than the study's own fit."""

    chains: int = 2
    tune: int = 500
    draws: int = 500
    retries: int = 1  # with twice the draws


BUDGET: Final = Budget()


@dataclass(frozen=True, slots=True)
class Records:
    """The two derived tables that the joint model reads."""

    colony_winters: pl.DataFrame
    mite_samples: pl.DataFrame

    def leaving_out(self, is_out: pl.Expr, reason: str) -> Records:
        """Exclude analysed units and say why; every unit keeps its row.

        Parameters
        ----------
        is_out : polars.Expr
            Over ``colony_winters``; null counts as not.
        reason : str
        """
        excluded = pl.col("exclusion_reason")
        marked = pl.when(excluded.is_null() & is_out.fill_null(False)).then(pl.lit(reason))
        return Records(
            self.colony_winters.with_columns(exclusion_reason=excluded.fill_null(marked)),
            self.mite_samples,
        )

    def without_columns(self, *names: str) -> Records:
        """Empty columns of ``colony_winters``, as if nobody had recorded them."""
        empty = [pl.lit(None, self.colony_winters.schema[name]).alias(name) for name in names]
        return Records(self.colony_winters.with_columns(empty), self.mite_samples)


def _same_settings(settings: Settings) -> Settings:
    return settings


def _same_records(records: Records) -> Records:
    return records


@dataclass(frozen=True, slots=True)
class Variation:
    """One refit of the joint model, and how it differs from the study's own.

    Attributes
    ----------
    name : str
        Of its file: ``results/refits/NAME.json``.
    check : str
        The check it belongs to.
    words : str
        What is done otherwise, in plain words; names no member.
    change_settings : callable
        Before the tables are derived.
    change_records : callable
        After.
    change_pool : callable, (Pool, Records) to Pool, optional
        After the tables have been packed: another model.
    outcomes : tuple of str
        Outcomes for which the change can be defended.
    is_cut : bool
        Mites are learnt from their counts alone (``cut.py``).
    told : dict
        What else its file keeps.
    """

    name: str
    check: str
    words: str
    change_settings: Callable[[Settings], Settings] = _same_settings
    change_records: Callable[[Records], Records] = _same_records
    change_pool: Callable[[Pool, Records], Pool] | None = None
    outcomes: tuple[str, ...] = OUTCOMES
    is_cut: bool = False
    told: dict[str, Any] = field(default_factory=dict)

    @property
    def changes_model(self) -> bool:
        """Whether the same records get another model: then even these must be fitted again."""
        return self.is_cut or self.change_pool is not None


@dataclass(frozen=True, slots=True)
class Found:
    """What one refit found; its file holds the same.

    Attributes
    ----------
    name, check, words : str
        As of the variation.
    fingerprint : str
        Of everything that it depends on.
    rows : list of dict
        As ``ROWS_SCHEMA``.
    told : dict
        ``is_same`` when the change leaves these records as they are; and more.
    seconds : float
    """

    name: str
    check: str
    words: str
    fingerprint: str
    rows: list[dict[str, Any]]
    told: dict[str, Any]
    seconds: float


ROWS_SCHEMA: Final = {
    "outcome": pl.String,
    "unit": pl.String,
    "mean": pl.Float64,
    "sd": pl.Float64,
    "q2.5": pl.Float64,
    "q97.5": pl.Float64,
    "n_units": pl.Int64,
    "r_hat": pl.Float64,
    "ess": pl.Float64,
    "status": pl.String,
    "reason": pl.String,
}


def refused_row(outcome: str, n_units: int, reason: str, unit: str = "") -> dict[str, Any]:
    """Row of an outcome that these records cannot carry."""
    empty = dict.fromkeys(ROWS_SCHEMA)
    return empty | {
        "outcome": outcome,
        "unit": unit or MEASURES[outcome]["difference"],
        "n_units": n_units,
        "status": NOT_POSSIBLE,
        "reason": reason,
    }


def broken_row(outcome: str, n_units: int) -> dict[str, Any]:
    """Row of an outcome whose sampler could not begin or go on."""
    row = refused_row(outcome, n_units, "The sampler of the refit broke off.")
    return row | {"status": NOT_CONVERGED}


def estimated_row(
    outcome: str,
    draws: np.ndarray,
    chains: int,
    n_units: int,
    unit: str = "",
    *,
    n_fits: int = 1,
) -> dict[str, Any]:
    """Summarise draws of an answer; without numbers when the chains do not agree.

    Parameters
    ----------
    outcome : str
    draws : numpy.ndarray, shape (draw,)
        Chain after chain.
    chains : int
    n_units : int
        Colony-winters with the outcome recorded.
    unit : str
        The outcome's own unless given.
    n_fits : int
        Fits of as many draws, one after another; each is judged by itself and the worst counts.
    """
    by_fit = draws.reshape(n_fits, chains, -1).transpose(1, 2, 0)
    r_hats, bulk, tail = diagnostics(by_fit)
    r_hat, ess = float(np.max(r_hats)), float(min(np.min(bulk), np.min(tail)))
    row = refused_row(outcome, n_units, "", unit) | {"r_hat": r_hat, "ess": ess}
    if not (r_hat < OTHER_R_HAT and ess > OTHER_ESS):  # not a number fails
        why = f"The chains of the refit did not agree (R-hat {r_hat:.2f}, ESS {ess:.0f})."
        return row | {"status": NOT_CONVERGED, "reason": why}
    low, high = np.quantile(draws, [0.025, 0.975])
    return row | {
        "mean": float(draws.mean()),
        "sd": float(draws.std(ddof=1)),
        "q2.5": float(low),
        "q97.5": float(high),
        "status": ESTIMATED,
    }


def level_of(contrast: str) -> str:
    """Return the higher level of a contrast."""
    return "full" if contrast == FULL_CLOSED else contrast.removesuffix(" vs none")


def own_answers(estimands: pl.DataFrame) -> dict[str, dict[str, Any]]:
    """Return the study's own answer by outcome: rows of ``results/estimands.csv``."""
    return {row["outcome"]: row for row in headline_rows(estimands).to_dicts()}


def shift_sd(own: dict[str, Any], found: dict[str, Any]) -> float:
    """Shift of an answer per posterior standard deviation of the study's own fit."""
    return float((found["mean"] - own["mean"]) / own["sd"])


def has_moved(own: dict[str, Any], found: dict[str, Any]) -> bool:
    """Whether a refit moved the answer by more than ``RULE`` allows.

    Examples
    --------
    >>> own = {"mean": 3.0, "sd": 1.0}
    >>> has_moved(own, {"mean": 4.5, "sd": 1.0})
    True
    >>> has_moved(own, {"mean": 4.5, "sd": 2.0})  # far fewer records: chance alone may do that
    False
    """
    by = abs(shift_sd(own, found))
    chance = np.sqrt(max((found["sd"] / own["sd"]) ** 2 - 1.0, 0.0))
    return bool(by > MOST_SHIFT_SD and by > MOST_CHANCE_SD * chance)


def is_alike(one: Any, other: Any) -> bool:
    """Whether two pools, or parts of them, hold the same numbers and names.

    Parts of the model count by whether they are in, not by the reason.
    """
    if type(one) is not type(other):
        return False
    if isinstance(one, np.ndarray):
        if one.shape != other.shape:
            return False
        return bool(np.allclose(one, other, rtol=SAME, atol=SAME, equal_nan=True))
    if isinstance(one, float):
        return bool(np.isclose(one, other, rtol=SAME, atol=SAME, equal_nan=True))
    if isinstance(one, Part):
        return bool(one.is_included == other.is_included)
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(is_alike(one[k], other[k]) for k in one)
    if hasattr(one, "__dataclass_fields__"):
        return all(is_alike(getattr(one, n), getattr(other, n)) for n in one.__dataclass_fields__)
    if isinstance(one, Sequence) and not isinstance(one, str):
        return len(one) == len(other) and all(map(is_alike, one, other))
    return bool(one == other)
