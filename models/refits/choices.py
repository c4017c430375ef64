"""Every choice that could be defended otherwise, one change at a time from the study's own.

The list is fixed here, before any result, and holds what settings and the model can vary.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Final

import polars as pl

from models.refits.base import Records, Variation
from models.refits.subsets import without_largest_member
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from pipeline.settings import Settings

CHOICES: Final = "choices"
FORTNIGHT: Final = 14
WITHOUT_LARGEST: Final = "without the largest member"


def shifted(month_day: str, days: int) -> str:
    """Move a setting such as "10-01" by days.

    Examples
    --------
    >>> shifted("10-01", -14), shifted("12-01", 90)
    ('09-17', '03-01')
    """
    return (date.fromisoformat(f"2022-{month_day}") + timedelta(days=days)).strftime("%m-%d")


def _setting(section: str, change: Callable[[Any], dict[str, Any]]) -> Callable[..., Settings]:
    """Change one section: ``change`` gives the new values from the old section."""

    def changed(settings: Settings) -> Settings:
        own = getattr(settings, section)
        return replace(settings, **{section: replace(own, **change(own))})

    return changed


def _days(**by: int) -> Callable[..., Settings]:
    """Move dates of the winter by days."""
    return _setting(
        "winter", lambda winter: {name: shifted(getattr(winter, name), n) for name, n in by.items()}
    )


def _scaled(section: str, **by: float) -> Callable[..., Settings]:
    """Multiply settings of a section."""
    return _setting(section, lambda own: {name: getattr(own, name) * k for name, k in by.items()})


def _other_loss(stores: Any) -> dict[str, Any]:
    """The far end of the range that the setting's own comment states, 0.10 to 0.25."""
    return {"processing_loss": 0.25 if stores.processing_loss < 0.175 else 0.10}


def mites_left_out(records: Records) -> Records:
    """Forget every mite count, so that the model has no mite load."""
    return Records(
        records.colony_winters.with_columns(mite_counts_used=pl.lit(0, pl.Int64)),
        records.mite_samples.clear(),
    )


def cold_of_own_window(records: Records) -> Records:
    """Take the cold between the unit's own two weighings for that of its whole winter."""
    own = pl.col("window_cold_kd_per_day")
    return Records(records.colony_winters.with_columns(cold_kd_per_day=own), records.mite_samples)


def disasters_as_losses(records: Records) -> Records:
    """Count a colony lost to disaster as one that did not come through."""
    is_lost = pl.when(pl.col("is_disaster")).then(pl.lit(False)).otherwise(pl.col("is_alive"))
    return Records(records.colony_winters.with_columns(is_alive=is_lost), records.mite_samples)


def _without(*columns: str) -> Callable[[Records], Records]:
    return lambda records: records.without_columns(*columns)


_OF_SETTINGS: Final = (
    ("starts_earlier", "winter starts 2 weeks earlier", _days(starts_on=-FORTNIGHT)),
    ("starts_later", "winter starts 2 weeks later", _days(starts_on=FORTNIGHT)),
    ("ends_earlier", "winter ends 2 weeks earlier", _days(ends_on=-FORTNIGHT)),
    ("ends_later", "winter ends 2 weeks later", _days(ends_on=FORTNIGHT)),
    (
        "autumn_weighings_narrow",
        "autumn weighings: 2 weeks narrower",
        _days(autumn_weighing_from=FORTNIGHT, autumn_weighing_to=-FORTNIGHT),
    ),
    (
        "no_midwinter_weighings",
        "no midwinter weighings",
        _days(spring_weighing_from=90),
    ),
    (
        "spring_counts_narrow",
        "spring counts: 2 weeks narrower",
        _days(spring_strength_from=FORTNIGHT, spring_strength_to=-FORTNIGHT),
    ),
    (
        "autumn_counts_narrow",
        "autumn counts: 2 weeks narrower",
        _days(autumn_strength_from=FORTNIGHT, autumn_strength_to=-FORTNIGHT),
    ),
    ("mites_later", "mite counts from a month later", _days(mites_from=31)),
    (
        "base_lower",
        "degree-days: base 5 K lower",
        _setting("winter", lambda w: {"degree_day_base_c": w.degree_day_base_c - 5.0}),
    ),
    (
        "base_higher",
        "degree-days: base 5 K higher",
        _setting("winter", lambda w: {"degree_day_base_c": w.degree_day_base_c + 5.0}),
    ),
    (
        "threshold_lower",
        "level: threshold 30 % lower",
        _scaled("levels", added_resistance_m2k_per_w=0.7),
    ),
    (
        "threshold_higher",
        "level: threshold 40 % higher",
        _scaled("levels", added_resistance_m2k_per_w=1.4),
    ),
    (
        "floor",
        "level: floor counted the other way",
        _setting("levels", lambda levels: {"is_floor_counted": not levels.is_floor_counted}),
    ),
    ("feed_worth", "feed: other end of storing losses", _setting("stores", _other_loss)),
    (
        "bees_as_counted",
        "bees as heavy as on the day counted",
        _setting("stores", lambda stores: {"spring_growth_per_day": 0.0}),
    ),
    (
        "weighing_errors",
        "weighing errors twice as large",
        _scaled(
            "stores", scale_sd_kg=2.0, luggage_scale_sd_kg=2.0, frame_estimate_sd_kg=2.0
        ),
    ),
)  # fmt: skip
_EVERY: Final = (STORES, SURVIVAL, STRENGTH)
_OF_RECORDS: Final = (
    ("no_mites", "mites left out", mites_left_out, _EVERY),
    (
        "no_cold",
        "cold left out",
        _without("cold_kd_per_day", "window_cold_kd_per_day"),
        _EVERY,
    ),
    # a colony that dies has a window that ends early: its own cold foretells the other outcomes
    ("own_cold", "cold between the own weighings", cold_of_own_window, (STORES,)),
    (
        "no_autumn_stores",
        "autumn stores left out",
        _without("autumn_stores_kg"),
        (SURVIVAL, STRENGTH),
    ),
    (
        "no_autumn_strength",
        "autumn strength left out",
        _without("autumn_strength_frames", "autumn_strength_sd_frames"),
        _EVERY,
    ),
    (
        "no_queen_or_place",
        "queen age, wind, height left out",
        _without("queen_age_years", "wind_exposure", "elevation_m"),
        _EVERY,
    ),
    ("disasters", "losses to disaster counted", disasters_as_losses, (SURVIVAL, STRENGTH)),
    ("no_largest_member", WITHOUT_LARGEST, without_largest_member, _EVERY),
)


def choice_variations() -> list[Variation]:
    """Every other choice, in the order in which the table shows them."""
    made = [
        Variation(name, CHOICES, words, change_settings=change)
        for name, words, change in _OF_SETTINGS
    ]
    made += [
        Variation(name, CHOICES, words, change_records=change, outcomes=outcomes)
        for name, words, change, outcomes in _OF_RECORDS
    ]
    return made
