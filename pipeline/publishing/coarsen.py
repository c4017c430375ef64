"""What of the records is published, and how coarse: everything not named here is withheld.

Places: no coordinates, no station; cold in wide steps. Dates: none. Stores use is scaled to
the days of the reference winter, so that the days of the weighings are not needed; mite counts
carry the mean day of their winter. Strengths are made alike in groups by ``alike.py``.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.contracts import load_derived_contracts
from pipeline.settings import Settings, WinterSettings
from pipeline.stages.windows import UNIT, winter_day

STORES_STEP_KG = 0.1
AUTUMN_STORES_STEP_KG = 1.0
SD_STEP_KG = 0.5  # finer, it would tell the strengths that it was reckoned from

AS_THEY_ARE = (
    *UNIT,
    "apiary_id",
    "member_id",
    "level",
    "top_opening",
    "was_treated",
    "treatment_ingredient",
    "queen_age_years",
    "is_alive",
    "is_disaster",
)
STRENGTHS = (
    "autumn_strength_frames",
    "autumn_strength_sd_frames",
    "spring_strength_frames",
    "spring_strength_sd_frames",
)
MITES_AS_THEY_ARE = (
    *UNIT,
    "method",
    "bees_sampled",
    "mites_counted",
    "board_days",
    "treatments_between",
)


@dataclass(frozen=True, slots=True)
class Step:
    """How coarse the place is.

    Attributes
    ----------
    elevation_m : float or None
        Steps of elevation [m]; None withholds it.
    has_wind : bool
        Whether wind exposure is published.
    cold_k : float
        Steps of cold [K d per day].
    """

    elevation_m: float | None
    has_wind: bool
    cold_k: float

    @property
    def columns(self) -> tuple[str, ...]:
        """What is published of the place."""
        elevation = ("elevation_m",) if self.elevation_m else ()
        return ("cold_kd_per_day", *elevation, *(("wind_exposure",) if self.has_wind else ()))


STEPS = (Step(100.0, True, 0.5), Step(300.0, False, 1.0), Step(None, False, 2.0))
"""By ``--coarser``: 0, 1 and 2."""


def _rounded(value: pl.Expr, step: float) -> pl.Expr:
    # a whole multiple of the step, written without a tail of binary digits
    return ((value / step).round() * step).round(6)


def publishable_units(colony_winters: pl.DataFrame, settings: Settings, step: Step) -> pl.DataFrame:
    """Coarsen analysed colony-winters; strengths are still as counted.

    Parameters
    ----------
    colony_winters : polars.DataFrame
        Rows that may be published, none excluded from the analysis.
    settings : Settings
    step : Step

    Returns
    -------
    polars.DataFrame
        The published columns, sorted by key.
    """
    from models.data import reference_window_days

    present = [name for name in AS_THEY_ARE if name in colony_winters.columns]
    scale = reference_window_days(settings.winter) / pl.col("window_days")
    has_window = pl.col("window_days") > 0
    sd = _rounded(pl.col("stores_method_sd_kg") * scale, SD_STEP_KG)
    place = []
    if step.elevation_m:
        place.append(_rounded(pl.col("elevation_m"), step.elevation_m).alias("elevation_m"))
    if step.has_wind:
        place.append(pl.col("wind_exposure"))
    return colony_winters.select(
        *present,
        *place,
        *STRENGTHS,
        cold_kd_per_day=_rounded(pl.col("cold_kd_per_day"), step.cold_k),
        autumn_stores_kg=_rounded(pl.col("autumn_stores_kg"), AUTUMN_STORES_STEP_KG),
        stores_use_kg=pl.when(has_window).then(
            _rounded(pl.col("stores_use_kg") * scale, STORES_STEP_KG)
        ),
        stores_method_sd_kg=pl.when(has_window).then(
            pl.when(sd.is_not_null()).then(pl.max_horizontal(sd, pl.lit(SD_STEP_KG)))
        ),
    ).sort(*UNIT)


def publishable_mites(mite_samples: pl.DataFrame, units: pl.DataFrame, k: int) -> pl.DataFrame:
    """Coarsen the mite counts of published units: the mean day of their winter for all.

    Where fewer than k colonies, or one member's alone, were counted in a winter, the day is the
    mean of all winters, since their own mean would be nearly the day of each. Counts of one colony,
    winter and method are numbered anew, in no order of time.

    Parameters
    ----------
    mite_samples : polars.DataFrame
    units : polars.DataFrame
        Published colony-winters.
    k : int
        Smallest class.
    """
    own = mite_samples.join(units.select(*UNIT, "member_id"), on=UNIT, how="inner")
    day = pl.col("days_before_reference")
    colonies, members = (pl.col(c).n_unique().over("winter") for c in ("colony_id", "member_id"))
    is_many = (colonies >= k) & (members >= 2)
    shared = pl.when(is_many).then(day.mean().over("winter")).otherwise(day.mean()).round()
    in_order = own.select(
        *MITES_AS_THEY_ARE,
        days_before_reference=pl.when(shared == 0.0).then(0.0).otherwise(shared),  # no minus zero
    ).sort(*UNIT, "method", "mites_counted", "bees_sampled", "board_days", "treatments_between")
    return in_order.with_columns(
        sample_no=pl.int_range(1, pl.len() + 1).over(*UNIT, "method").cast(pl.Int64)
    )


def _with_all_columns(table: pl.DataFrame, name: str) -> pl.DataFrame:
    """Add the contract's other columns, empty, and put all in its order and types."""
    schema = load_derived_contracts()[name].polars_schema
    return table.select(
        (pl.col(column) if column in table.columns else pl.lit(None)).cast(kind).alias(column)
        for column, kind in schema.items()
    )


def as_derived_units(units: pl.DataFrame, winter: WinterSettings) -> pl.DataFrame:
    """Turn published colony-winters into the table the fit reads; what is withheld is empty."""
    from models.data import reference_window_days

    days = float(reference_window_days(winter))
    made = units.with_columns(
        window_days=pl.when(pl.col("stores_use_kg").is_not_null()).then(pl.lit(days))
    )
    return _with_all_columns(made, "colony_winters").sort(*UNIT)


def as_derived_mites(mites: pl.DataFrame, winter: WinterSettings) -> pl.DataFrame:
    """Turn published mite counts into the table the fit reads."""
    reference = winter_day(winter.mites_reference, pl.col("winter"))
    before = pl.duration(days=pl.col("days_before_reference").cast(pl.Int64))
    is_sample = pl.col("bees_sampled").is_not_null() & (pl.col("method") != "sticky board")
    made = mites.with_columns(
        sampled_on=(reference - before).cast(pl.Date),
        mites_per_100_bees=pl.when(is_sample).then(
            pl.col("mites_counted") / pl.col("bees_sampled") * 100
        ),
    )
    key = load_derived_contracts()["mite_samples"].key
    return _with_all_columns(made, "mite_samples").sort(*key)
