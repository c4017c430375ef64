"""When a keeper comes by and what there is to see."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.demo.history import Winter

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SOLD_ON_DAY = 45
"""15 November: sold colonies leave."""


def dates(winter: Winter, day: Ints) -> pl.Series:
    """Turn days counted from 1 October into dates."""
    start = np.datetime64(winter.first_day)
    return pl.Series((start + day.astype("timedelta64[D]")).astype("datetime64[ms]")).cast(pl.Date)


def is_there(winter: Winter, day: Ints) -> Bools:
    """Whether each colony lives on the given day and still stands with its keeper."""
    return np.asarray((day < winter.death_day) & ~(winter.is_sold & (day >= SOLD_ON_DAY)))


def frames_of_bees(winter: Winter, day: Ints) -> Floats:
    """Frames of bees as practised on the given days; before October a little more."""
    at = np.arange(len(day))
    inside = winter.course.frames[np.clip(day, 0, None), 0, at]
    return np.asarray(inside * (1 + 0.004 * np.clip(-day, 0, None)))
