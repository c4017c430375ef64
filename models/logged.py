"""Colony-winters with loggers, packed for the secondary outcomes; no PyMC here.

Only colonies that came through are used. A logger in a dead hive goes on logging: it never sees
brood, and an empty box is dry. Who came through differs by set-up, so these outcomes describe
survivors and are no effect of insulation on all colonies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from models.covariates import describe_covariate
from models.data import WIND
from models.vocabulary import LEVELS
from pipeline.settings import Settings
from pipeline.stages.sensor_features import ALREADY_BROOD, BROOD_WITHIN_DAYS, MIDWINTER, NO_ONSET
from pipeline.stages.windows import UNIT, winter_day

BROOD: Final = "brood onset among survivors"
MOISTURE: Final = "condensation risk among survivors"
SECONDARY: Final = (BROOD, MOISTURE)
# nodes of the graph of assumptions that their models hold still
HELD: Final = frozenset(
    {
        "member skill",
        "winter",
        "cold of the place",
        "wind exposure",
        "elevation",
        "queen age",
        "autumn strength",
    }
)

# name in the posterior -> column of colony_winters and least scale, in the column's unit
_COVARIATES: Final = {
    "cold": ("cold_kd_per_day", 0.5),
    "autumn strength": ("autumn_strength_frames", 1.0),
    "queen age": ("queen_age_years", 0.5),
    "wind exposure": ("wind_step", 0.5),
    "elevation": ("elevation_m", 50.0),
    "treated": ("treated_step", 0.3),
    "outside known by day only": ("by_day_share", 0.2),
}


@dataclass(frozen=True, slots=True)
class Logged:
    """Units of one secondary outcome.

    Attributes
    ----------
    outcome : str
        One of ``SECONDARY``.
    levels : tuple of str
        Levels present, in order.
    level : numpy.ndarray of int, shape (unit,)
    opening : numpy.ndarray, shape (unit,)
        1 open, 0 closed; the level's share where not recorded.
    member, winter, colony : numpy.ndarray of int, shape (unit,)
    covariates : dict of str to numpy.ndarray, shape (unit,)
        Standardised; a gap holds its member's expected value.
    low, high : numpy.ndarray, shape (unit,)
        Brood onset: it fell after ``low`` and by ``high`` [d since 21 December], infinite where
        open. Condensation: hours at risk and hours logged [h].
    n_left_out : int
        Measured units that are not used, because they did not come through or it is not known.
    """

    outcome: str
    unit_names: tuple[str, ...]
    levels: tuple[str, ...]
    members: tuple[str, ...]
    winters: tuple[int, ...]
    colonies: tuple[str, ...]
    level: np.ndarray
    opening: np.ndarray
    member: np.ndarray
    winter: np.ndarray
    colony: np.ndarray
    covariates: dict[str, np.ndarray]
    low: np.ndarray
    high: np.ndarray
    n_left_out: int

    @property
    def n_units(self) -> int:
        """Units used."""
        return len(self.unit_names)


def brood_intervals(
    sensor_days: pl.DataFrame, sensor_features: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Between which days brood began; one row per unit with a sensor in the brood nest.

    Parameters
    ----------
    sensor_days : polars.DataFrame
        At least colony_id, observed_on, position and temperature_mean_c; other positions than the
        brood nest are ignored.
    sensor_features : polars.DataFrame
    settings : Settings
        The winter's last day is read: later days were not searched for an onset.

    Returns
    -------
    polars.DataFrame
        colony_id, winter, low, high [d since 21 December]: brood began after ``low`` and by
        ``high``; infinite where the record does not tell. A first warm day is known to the day,
        or to the gap before it. Brood that was there when readings began came by then. Without
        an onset, brood had not begun six days before the record's end (an onset is told by seven
        days); a record too short to say even that has no row. Sorted by key.
    """
    day = (pl.col("observed_on") - winter_day(MIDWINTER, pl.col("winter"))).dt.total_days()
    onset = (pl.col("brood_onset_on") - winter_day(MIDWINTER, pl.col("winter"))).dt.total_days()
    nest = (
        sensor_days.filter(
            pl.col("position") == "brood nest", pl.col("temperature_mean_c").is_not_null()
        )
        .with_columns(
            winter=pl.col("observed_on").dt.year() - (pl.col("observed_on").dt.month() < 7)
        )
        .with_columns(day=day, winter=pl.col("winter").cast(pl.Int64))
        .filter(
            pl.col("day") > 0,
            pl.col("observed_on") <= winter_day(settings.winter.ends_on, pl.col("winter")),
        )
    )
    told = sensor_features.select(
        "colony_id",
        pl.col("winter").cast(pl.Int64),
        "brood_onset_reason",
        onset=onset,
    )
    reason, begins = pl.col("brood_onset_reason"), pl.col("onset")
    infinity = float("inf")
    return (
        nest.join(told, on=UNIT)
        .group_by(*UNIT, "brood_onset_reason", "onset")
        .agg(
            first=pl.col("day").min(),
            last=pl.col("day").max(),
            before=pl.col("day").filter(pl.col("day") < pl.col("onset")).max(),
        )
        .with_columns(
            low=pl.when(begins.is_not_null())
            .then(pl.col("before").cast(pl.Float64))
            .when(reason == ALREADY_BROOD)
            .then(pl.lit(-infinity))
            .when(reason == NO_ONSET)
            .then((pl.col("last") - (BROOD_WITHIN_DAYS - 1)).cast(pl.Float64)),
            high=pl.when(begins.is_not_null())
            .then(begins.cast(pl.Float64))
            .when(reason == ALREADY_BROOD)
            .then(pl.col("first").cast(pl.Float64))
            .when(reason == NO_ONSET)
            .then(pl.lit(infinity)),
        )
        .filter((pl.col("low") >= 0) | pl.col("high").is_finite())
        .select(*UNIT, "low", "high")
        .sort(*UNIT)
    )


def _logged_hours(sensor_features: pl.DataFrame) -> pl.DataFrame:
    hours = pl.col("condensation_measured_h")
    return sensor_features.filter(pl.col("condensation_risk_h").is_not_null(), hours > 0).select(
        "colony_id",
        pl.col("winter").cast(pl.Int64),
        low=pl.col("condensation_risk_h").round(),
        high=hours.cast(pl.Float64),
        by_day_share=pl.col("condensation_daily_outside_h") / hours,
    )


def _codes(values: list) -> tuple[tuple, np.ndarray]:
    names, codes = np.unique(np.asarray(values), return_inverse=True)
    return tuple(names.tolist()), codes


def _covariates(units: pl.DataFrame, member: np.ndarray, minimum: int) -> dict[str, np.ndarray]:
    made = {}
    for name, (column, least) in _COVARIATES.items():
        if column not in units.columns:
            continue
        values = units[column].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(float)
        if np.isfinite(values).sum() < minimum:
            continue
        found = describe_covariate(
            name, values, place=np.arange(len(values)), group=member, least_scale=least
        )
        if found is not None:
            made[name] = found.mean
    return made


def pack_logged(
    outcome: str,
    colony_winters: pl.DataFrame,
    sensor_features: pl.DataFrame,
    sensor_days: pl.DataFrame,
    settings: Settings,
) -> Logged:
    """Pack the units of one secondary outcome.

    Parameters
    ----------
    outcome : str
        One of ``SECONDARY``.
    colony_winters, sensor_features, sensor_days : polars.DataFrame
        As ``data_contracts/derived`` describes; of ``sensor_days`` see ``brood_intervals``.
    settings : Settings
        ``model.minimum_colonies`` is read: a covariate known for fewer is left out.

    Returns
    -------
    Logged
        Analysed units that came through, sorted by colony and winter.
    """
    if outcome == BROOD:
        measured = brood_intervals(sensor_days, sensor_features, settings)
    else:
        measured = _logged_hours(sensor_features)
    analysed = colony_winters.filter(
        pl.col("exclusion_reason").is_null(),
        pl.all_horizontal(pl.col("level", "member_id").is_not_null()),
    ).with_columns(pl.col("winter").cast(pl.Int64))
    candidates = analysed.join(measured, on=UNIT)
    units = (
        candidates.filter(pl.col("is_alive"))
        .with_columns(
            wind_step=pl.col("wind_exposure")
            .cast(pl.String)
            .replace_strict(WIND, default=None, return_dtype=pl.Float64),
            treated_step=pl.col("was_treated").cast(pl.Float64),
        )
        .sort(*UNIT)
    )
    names = units["level"].cast(pl.String).to_list()
    levels = tuple(name for name in LEVELS if name in names)
    is_open = (pl.col("top_opening") == "open").cast(pl.Float64)
    opening = units.select(
        pl.coalesce(is_open, is_open.mean().over("level"), is_open.mean(), 0.0)
    ).to_series()
    members, member = _codes(units["member_id"].to_list())
    winters, winter = _codes(units["winter"].to_list())
    colonies, colony = _codes(units["colony_id"].to_list())
    return Logged(
        outcome=outcome,
        unit_names=tuple(f"{c} {w}" for c, w in units.select(UNIT).iter_rows()),
        levels=levels,
        members=members,
        winters=winters,
        colonies=colonies,
        level=np.array([levels.index(name) for name in names], dtype=int),
        opening=opening.to_numpy().astype(float),
        member=member,
        winter=winter,
        colony=colony,
        covariates=_covariates(units, member, settings.model.minimum_colonies),
        low=units["low"].to_numpy().astype(float),
        high=units["high"].to_numpy().astype(float),
        n_left_out=candidates.height - units.height,
    )
