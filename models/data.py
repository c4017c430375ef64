"""From the ``colony_winters`` and ``mite_samples`` tables to frozen arrays; no PyMC here.

The arrays hold every analysed unit once, in the table's order. Whether a piece of the model
can be carried by the records is decided here, by rule, and every decision is kept with its
reason (``Pool.parts``).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from models.carried import Observed, Part, left_out_reason, outcome_parts, structure_parts
from models.covariates import Covariate, beyond, describe_covariate, floats
from models.mite_counts import MiteCounts, read_mite_counts
from models.treatments import Treatments, describe_treatments
from models.vocabulary import LEVELS, OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.settings import Settings, WinterSettings

QUARTER_FRAME = 0.25  # the finest strength reading; a recorded 0 of a living colony means "below"
WIND = {"sheltered": -1.0, "moderate": 0.0, "exposed": 1.0}


@dataclass(frozen=True, slots=True)
class Pool:
    """Everything the model reads.

    Attributes
    ----------
    levels : tuple of str
        Levels with at least one analysed unit, in order.
    level : numpy.ndarray of int, shape (unit,)
        Index into ``levels``.
    opening : numpy.ndarray of float, shape (unit,)
        1 open, 0 closed; where not recorded, the share open among units of that level.
    treated : numpy.ndarray of float, shape (unit,)
        1 treated, 0 not; where the member recorded no treatments, the pool's share (the
        member's own effect takes up the rest).
    treatments : Treatments
        With what the treated were treated, and when.
    member, apiary, winter, apiary_winter, colony : numpy.ndarray of int, shape (unit,)
        Index into the names of the same plural.
    apiary_member : numpy.ndarray of int, shape (apiary,)
        The member of each apiary.
    member_share : numpy.ndarray, shape (member, share)
        The member's share of colony-winters at each level above the first present, and of
        open tops, less the pool's.
    apiary_share : numpy.ndarray, shape (apiary, share)
        The apiary's share less its member's.
    covariates : tuple of Covariate
        ``cold`` first when included.
    observed : dict of str to Observed
        By outcome, included or not.
    log_window : numpy.ndarray, shape (unit,)
        Log of the weighing window over the reference window; NaN without one.
    window_cold : numpy.ndarray, shape (unit,)
        Cold of the unit's own weighing window less that of its whole winter, less what is usual
        in the pool, per sd of cold; 0 where either is unknown. For stores use only: a window
        that ends in midwinter is colder.
    parts : dict of str to Part
    """

    unit_names: tuple[str, ...]
    levels: tuple[str, ...]
    members: tuple[str, ...]
    apiaries: tuple[str, ...]
    winters: tuple[int, ...]
    apiary_winters: tuple[str, ...]
    colonies: tuple[str, ...]
    shares: tuple[str, ...]
    level: np.ndarray
    opening: np.ndarray
    is_opening_known: np.ndarray
    treated: np.ndarray
    treatments: Treatments
    member: np.ndarray
    apiary: np.ndarray
    winter: np.ndarray
    apiary_winter: np.ndarray
    apiary_of_winter: np.ndarray
    colony: np.ndarray
    apiary_member: np.ndarray
    member_share: np.ndarray
    apiary_share: np.ndarray
    covariates: tuple[Covariate, ...]
    autumn_stores: Covariate | None
    autumn_frames: np.ndarray
    cold_raw: np.ndarray
    window_cold: np.ndarray
    observed: dict[str, Observed]
    log_window: np.ndarray
    reference_days: float
    mite_counts: MiteCounts
    parts: dict[str, Part]

    @property
    def n_units(self) -> int:
        """Units analysed."""
        return len(self.unit_names)

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Outcomes whose part is included."""
        return tuple(o for o in OUTCOMES if self.parts[o].is_included)

    def has(self, part: str) -> bool:
        """Whether a part of the model is included."""
        return self.parts[part].is_included


def reference_window_days(winter: WinterSettings) -> int:
    """Days from the preferred autumn weighing to the preferred spring weighing.

    Examples
    --------
    >>> reference_window_days(WinterSettings())
    177
    """
    autumn = date.fromisoformat(f"2022-{winter.autumn_weighing_near}")
    spring = date.fromisoformat(f"2023-{winter.spring_weighing_near}")
    return (spring - autumn).days


def _codes(values: list) -> tuple[tuple, np.ndarray]:
    names, codes = np.unique(np.asarray(values), return_inverse=True)
    return tuple(names.tolist()), codes


def _shares(
    level: np.ndarray, n_levels: int, opening: np.ndarray, group: np.ndarray, n_groups: int
) -> np.ndarray:
    """Share of a group's units at each level above the first, and with an open top."""
    exposure = np.column_stack([(level == k).astype(float) for k in range(1, n_levels)] + [opening])
    counts = np.maximum(np.bincount(group, minlength=n_groups), 1)
    return np.column_stack(
        [np.bincount(group, column, minlength=n_groups) / counts for column in exposure.T]
    )


def _known_or(share_by: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Fill NaN with the mean of known values in the same group, else of all, else 0."""
    known = np.isfinite(value)
    filled = value.copy()
    overall = float(value[known].mean()) if known.any() else 0.0
    for label in np.unique(share_by[~known]):
        own = known & (share_by == label)
        filled[~known & (share_by == label)] = value[own].mean() if own.any() else overall
    return filled


def _flags(frame: pl.DataFrame, column: str, yes: str | None = None) -> np.ndarray:
    series = frame[column]
    if yes is not None:
        series = series.cast(pl.String) == yes
    return series.cast(pl.Boolean).cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(float)


def _observed(values: np.ndarray, error: np.ndarray) -> Observed:
    rows = np.flatnonzero(np.isfinite(values))
    return Observed(rows, values[rows], np.nan_to_num(error[rows], nan=0.0))


def _covariates(
    units: pl.DataFrame, pool: dict, minimum: int
) -> tuple[list[Covariate], Covariate | None, list[Part], np.ndarray]:
    unit = np.arange(units.height)
    member = pool["member"]
    wind = units["wind_exposure"].cast(pl.String).replace_strict(WIND, default=None)
    # name: values, place, group, error, least scale
    given: dict[str, tuple[str | pl.Series, np.ndarray, np.ndarray, str | None, float]] = {
        "cold": ("cold_kd_per_day", pool["apiary_winter"], pool["winter"], None, 0.5),
        "autumn strength": (
            "autumn_strength_frames",
            unit,
            member,
            "autumn_strength_sd_frames",
            1.0,
        ),
        "queen age": ("queen_age_years", unit, member, None, 0.5),
        "wind exposure": (wind, pool["apiary"], member, None, 0.5),
        "elevation": ("elevation_m", pool["apiary"], member, None, 50.0),
        "autumn stores": ("autumn_stores_kg", unit, member, None, 2.0),
    }
    kept: dict[str, Covariate] = {}
    parts = []
    frames = np.full(units.height, 8.0)
    for name, (column, place, group, error, least) in given.items():
        values = (
            floats(units, column)
            if isinstance(column, str)
            else column.cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(float)
        )
        if name == "elevation" and "cold" in kept:
            values = beyond(values, kept["cold"].mean, pool["apiary"])
        known = int(np.isfinite(values).sum())
        made = describe_covariate(
            name,
            values,
            place=place,
            group=group,
            error_sd=None if error is None else floats(units, error),
            least_scale=least,
        )
        reason = ""
        if known < minimum:
            reason = f"{name} is recorded for {known} colony-winters, fewer than {minimum}"
        elif made is None:
            reason = f"{name} does not vary"
        elif name == "autumn strength":
            frames = np.maximum(made.location + made.scale * made.mean, 1.0)
        if made is not None and not reason:
            kept[name] = made
        parts.append(Part(name, not reason, known, reason))
    stores = kept.pop("autumn stores", None)
    return list(kept.values()), stores, parts, frames


def _window_cold(units: pl.DataFrame, covariates: list[Covariate]) -> np.ndarray:
    scale = next((c.scale for c in covariates if c.name == "cold"), None)
    if scale is None:
        return np.zeros(units.height)
    difference = floats(units, "window_cold_kd_per_day") - floats(units, "cold_kd_per_day")
    known = np.isfinite(difference)
    usual = float(difference[known].mean()) if known.any() else 0.0
    return np.nan_to_num((difference - usual) / scale, nan=0.0)


def _left_out(colony_winters: pl.DataFrame, left: int) -> str:
    """Say how many colony-winters are not analysed and why, the commonest reason first."""
    reasons = (
        colony_winters.drop_nulls("exclusion_reason")
        .group_by("exclusion_reason")
        .agg(n=pl.len())
        .sort("n", "exclusion_reason", descending=[True, False])
    )
    words = reasons["exclusion_reason"].to_list()
    words += ["no insulation level, member or apiary"] if left else []
    return left_out_reason(words, int(reasons["n"].sum()) + left)


def pack_pool(colony_winters: pl.DataFrame, mite_samples: pl.DataFrame, settings: Settings) -> Pool:
    """Pack the analysed units into arrays and decide which parts the records can carry.

    Parameters
    ----------
    colony_winters, mite_samples : polars.DataFrame
        As ``data_contracts/derived`` describes.
    settings : Settings
        ``model.minimum_colonies``, ``model.minimum_links`` and the winter's dates are read.

    Returns
    -------
    Pool
        Units without an exclusion reason whose level, member and apiary are known, sorted
        by colony and winter. Others are counted in ``parts["colony-winters"]``.
    """
    candidates = colony_winters.filter(pl.col("exclusion_reason").is_null())
    units = candidates.filter(
        pl.all_horizontal(pl.col("level", "member_id", "apiary_id").is_not_null())
    ).sort("colony_id", "winter")
    minimum, links = settings.model.minimum_colonies, settings.model.minimum_links
    left = candidates.height - units.height
    parts = [
        Part(
            "colony-winters",
            units.height > 0,
            units.height,
            _left_out(colony_winters, left),
        )
    ]
    names = units["level"].cast(pl.String).to_list()
    levels = tuple(name for name in LEVELS if name in names)
    level = np.array([levels.index(name) for name in names], dtype=int)
    opening_raw = _flags(units, "top_opening", "open")
    is_known = np.isfinite(opening_raw)
    opening = _known_or(level, opening_raw)
    members, member = _codes(units["member_id"].to_list())
    apiaries, apiary = _codes(units["apiary_id"].to_list())
    winters, winter = _codes(units["winter"].to_list())
    yards, yard = _codes(
        [f"{a} {w}" for a, w in zip(units["apiary_id"], units["winter"], strict=True)]
    )
    colonies, colony = _codes(units["colony_id"].to_list())
    apiary_member = np.zeros(len(apiaries), dtype=int)
    apiary_member[apiary] = member
    yard_apiary = np.zeros(len(yards), dtype=int)
    yard_apiary[yard] = apiary
    of_member = _shares(level, len(levels), opening, member, len(members))
    of_apiary = _shares(level, len(levels), opening, apiary, len(apiaries))
    pool: dict = {
        "unit_names": tuple(
            f"{c} {w}" for c, w in zip(units["colony_id"], units["winter"], strict=True)
        ),
        "levels": levels,
        "members": members,
        "apiaries": apiaries,
        "winters": winters,
        "apiary_winters": yards,
        "colonies": colonies,
        "shares": (*levels[1:], "open"),
        "level": level,
        "opening": opening,
        "is_opening_known": is_known,
        "treated": _known_or(np.zeros(units.height), _flags(units, "was_treated")),
        "member": member,
        "apiary": apiary,
        "winter": winter,
        "apiary_winter": yard,
        "apiary_of_winter": yard_apiary,
        "colony": colony,
        "apiary_member": apiary_member,
        "member_share": of_member - (of_member[member].mean(axis=0) if units.height else 0.0),
        "apiary_share": of_apiary - of_member[apiary_member],
    }
    covariates, stores, covariate_parts, frames = _covariates(units, pool, minimum)
    window = floats(units, "window_days")
    reference = float(reference_window_days(settings.winter))
    with np.errstate(divide="ignore", invalid="ignore"):
        log_window = np.log(window / reference)
    use = floats(units, "stores_use_kg")
    use[~np.isfinite(log_window)] = float("nan")
    alive = _flags(units, "is_alive")
    frames_spring = np.maximum(floats(units, "spring_strength_frames"), QUARTER_FRAME)
    frames_spring[alive != 1.0] = float("nan")
    no_error = np.zeros(units.height)
    observed = {
        STORES: _observed(use, floats(units, "stores_method_sd_kg")),
        SURVIVAL: _observed(alive, no_error),
        STRENGTH: _observed(
            frames_spring, floats(units, "spring_strength_sd_frames") / frames_spring
        ),
    }
    counts = read_mite_counts(mite_samples, pool["unit_names"])
    counted = len(np.unique(counts.rows))
    treatments, treatment_parts = describe_treatments(
        units, pool["treated"], minimum, has_mites=counted >= minimum
    )
    parts += outcome_parts(observed, minimum)
    parts.append(
        Part(
            "mites",
            counted >= minimum,
            counted,
            ""
            if counted >= minimum
            else f"mites were counted in {counted} colony-winters, fewer than {minimum}",
        )
    )
    parts += treatment_parts + structure_parts(pool, minimum, links) + covariate_parts
    return Pool(
        **pool,
        treatments=treatments,
        covariates=tuple(covariates),
        autumn_stores=stores,
        autumn_frames=frames,
        cold_raw=floats(units, "cold_kd_per_day"),
        window_cold=_window_cold(units, covariates),
        observed=observed,
        log_window=log_window,
        reference_days=reference,
        mite_counts=counts,
        parts={part.name: part for part in parts},
    )
