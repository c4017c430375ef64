"""Who was treated against mites, with what and when, as predictors of the mite load; no PyMC here.

The rule of time: a treatment counts when it was applied from 1 July until the day before the
reference date of the load; of several the last one counts. One on or after that date cannot have
lowered the load on it: what it does to winter bees is left to the colony's group effects. The
stage ``colony_winters`` applies the rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.carried import Part
from models.covariates import floats

TYPES, TIMING = "treatment types", "treatment timing"
OTHER = "other"
DAYS_PER_STEP = 30.0
LEAST_SPREAD_DAYS = 5.0  # sd; closer together, a slope per month would be the prior's


@dataclass(frozen=True, slots=True)
class Treatments:
    """What and when, beside ``Pool.treated``.

    Attributes
    ----------
    types : tuple of str
        Active ingredients told apart; those of few units are together in ``other``. Empty where
        the records cannot carry them.
    share : numpy.ndarray, shape (unit, type)
        1 for the unit's own type; where it is not known, the pool's shares times the unit's
        ``treated``. A row sums to that.
    months : numpy.ndarray, shape (unit,)
        How much longer than usual before the reference date the unit was treated, in steps of
        30 days; 0 for the untreated and where it is not known. Empty where timing is left out.
    usual_days : float
        Mean days from treatment to the reference date; NaN where timing is left out.
    """

    types: tuple[str, ...]
    share: np.ndarray
    months: np.ndarray
    usual_days: float

    @property
    def has_types(self) -> bool:
        """Whether types are told apart."""
        return bool(self.types)

    @property
    def has_timing(self) -> bool:
        """Whether it matters when the treated were treated."""
        return bool(len(self.months))


def pooled_types(recorded: list[str], minimum: int) -> tuple[str, ...]:
    """Types told apart: those of at least ``minimum`` units, then ``other`` for all else.

    Examples
    --------
    >>> pooled_types(["thymol"] * 3 + ["oxalic acid"] * 2 + ["amitraz"], minimum=2)
    ('oxalic acid', 'thymol', 'other')
    >>> pooled_types(["thymol"] * 3 + ["amitraz"], minimum=2)
    ()
    """
    names, counts = np.unique(np.array(recorded, dtype=str), return_counts=True)
    own = [str(n) for n, k in zip(names, counts, strict=True) if k >= minimum and n != OTHER]
    n_rest = int(sum(k for n, k in zip(names, counts, strict=True) if n not in own))
    if len(own) < 2 and not (own and n_rest >= minimum):
        return ()
    return (*own, OTHER) if n_rest else tuple(own)


def _shares(recorded: list[str | None], types: tuple[str, ...], treated: np.ndarray) -> np.ndarray:
    """Share of each unit at each type."""
    share = np.zeros((len(recorded), len(types)))
    for i, name in enumerate(recorded):
        if name is not None:
            share[i, types.index(name if name in types else OTHER)] = 1.0
    is_known = share.any(axis=1)
    share[~is_known] = treated[~is_known, None] * share[is_known].mean(axis=0)
    return share


def describe_treatments(
    units: pl.DataFrame, treated: np.ndarray, minimum: int, *, has_mites: bool
) -> tuple[Treatments, list[Part]]:
    """Decide whether type and timing of treatments can be carried, and pack them.

    Parameters
    ----------
    units : polars.DataFrame
        Analysed rows of ``colony_winters``; without the columns of treatments, as simulated
        tables may be, nothing is known of them.
    treated : numpy.ndarray, shape (unit,)
        ``Pool.treated``.
    minimum : int
        Fewest units of a type told apart, and fewest dated treatments.
    has_mites : bool
        Whether there is a mite load to predict.

    Returns
    -------
    Treatments
    list of Part
    """
    n = units.height
    recorded: list[str | None] = [None] * n
    days = np.full(n, np.nan)
    if "treatment_ingredient" in units.columns:
        recorded = units["treatment_ingredient"].cast(pl.String).to_list()
        days = floats(units, "treated_days_before_reference")
    named = [name for name in recorded if name is not None]
    dated = days[np.isfinite(days)]
    types = pooled_types(named, minimum)
    reasons = {TYPES: "", TIMING: ""}
    if not types:
        reasons[TYPES] = f"fewer than two active ingredients were given to {minimum} colonies each"
    if len(dated) < minimum:
        reasons[TIMING] = f"fewer than {minimum} treatments before the reference date are dated"
    elif dated.std() < LEAST_SPREAD_DAYS:
        reasons[TIMING] = "all colonies were treated at about the same time"
    if not has_mites:
        reasons = dict.fromkeys(reasons, "there is no mite load to predict")
    elif np.ptp(treated) == 0:
        reasons = dict.fromkeys(reasons, "colonies do not differ in whether they were treated")
    types = () if reasons[TYPES] else types
    months, usual = np.zeros(0), float("nan")
    if not reasons[TIMING]:
        usual = float(dated.mean())
        months = np.nan_to_num((days - usual) / DAYS_PER_STEP, nan=0.0)
    share = _shares(recorded, types, treated) if types else np.zeros((n, 0))
    counts = {TYPES: len(named), TIMING: len(dated)}
    parts = [Part(name, not why, counts[name], why) for name, why in reasons.items()]
    return Treatments(types, share, months, usual), parts
