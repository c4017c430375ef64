"""A member's colonies beside all others', without telling who any other is."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.store import Store
from reports.context import Pool

INSIDE = ("above cluster", "under cover", "brood nest", "floor")
"""Places of loggers inside a hive."""


@dataclass(frozen=True, slots=True)
class Band:
    """The middle half of the others' values; at least the minimum of members stand behind it."""

    low: float
    median: float
    high: float


@dataclass(frozen=True, slots=True)
class WinterRow:
    """One winter: the member's own values, and the others' band (None: too few members)."""

    winter: int
    own: tuple[float, ...]
    others: Band | None


@dataclass(frozen=True, slots=True)
class ShareRow:
    """One winter: how many of the member's colonies, of how many, and the others' share."""

    winter: int
    k: int
    n: int
    others: float | None


@dataclass(frozen=True, slots=True)
class LoggerLines:
    """One winter of the member's loggers, and the others' by week.

    Attributes
    ----------
    winter : int
    own : dict of str to dict of str to polars.DataFrame
        By place in the hive and colony: columns ``day, value``.
    others : dict of str to polars.DataFrame
        By place: columns ``day, low, high``; weeks with too few other members are left out.
    """

    winter: int
    own: dict[str, dict[str, pl.DataFrame]]
    others: dict[str, pl.DataFrame]

    @property
    def has_others(self) -> bool:
        """Whether any week of any place can be shown."""
        return any(not weeks.is_empty() for weeks in self.others.values())


@dataclass(frozen=True, slots=True)
class Records:
    """What all pages are made from, read once."""

    pool: Pool
    members: tuple[str, ...]
    units: pl.DataFrame
    sensor_days: pl.DataFrame


def load_records(pool: Pool) -> Records:
    """Read what the pages need beyond the pool.

    Raises
    ------
    StoreError
        The store is missing, damaged or in use.
    """
    with Store.open(pool.study.store_path, read_only=True) as store:
        keepers = store.table("apiaries")["member_id"]
        days = store.table("sensor_days") if store.has_table("sensor_days") else None
    mites = pool.mite_samples.group_by("colony_id", "winter").agg(
        pl.col("mites_per_100_bees").mean()
    )
    states = pool.winter_survival.select("colony_id", "winter", "state")
    keys = ["colony_id", "winter"]
    units = (
        pool.wintered.filter(pl.col("member_id").is_not_null())
        .join(mites, on=keys, how="left")
        .join(states, on=keys, how="left")
        .sort("winter", "apiary_id", "colony_id")
    )
    winter = pl.col("observed_on").dt.year() - (pl.col("observed_on").dt.month() < 7).cast(pl.Int32)
    owners = units.select("colony_id", pl.col("winter").cast(pl.Int64), "member_id")
    logged = (
        pl.DataFrame()
        if days is None
        else (
            days.filter(pl.col("position").is_in(INSIDE))
            .with_columns(winter=winter.cast(pl.Int64))
            .join(owners, on=keys, how="inner")
        )
    )
    members = tuple(sorted({*keepers.drop_nulls(), *units["member_id"]}))
    return Records(pool, members, units, logged)


def _band(values: pl.DataFrame, minimum: int) -> Band | None:
    """Return the quartiles of values of at least so many members; columns ``member_id, value``."""
    if values["member_id"].n_unique() < minimum:
        return None
    low, median, high = (
        values["value"].quantile(q, interpolation="linear") for q in (0.25, 0.5, 0.75)
    )
    return Band(float(low or 0), float(median or 0), float(high or 0))


def compare(values: pl.DataFrame, member: str, minimum: int) -> list[WinterRow]:
    """Set a member's values beside the others', for each winter in which the member has some.

    Parameters
    ----------
    values : polars.DataFrame
        Columns ``member_id, winter, value``; rows without a value do not count.
    member : str
    minimum : int
        Fewest other members behind a band.
    """
    given = values.drop_nulls("value")
    is_own = pl.col("member_id") == member
    return [
        WinterRow(
            int(winter),
            tuple(here.filter(is_own)["value"].sort().to_list()),
            _band(here.filter(~is_own), minimum),
        )
        for (winter,), here in given.sort("winter").group_by("winter", maintain_order=True)
        if not here.filter(is_own).is_empty()
    ]


def compare_shares(units: pl.DataFrame, member: str, minimum: int) -> list[ShareRow]:
    """Set the member's survival beside the others', winter by winter."""
    rows = []
    known = units.drop_nulls("is_alive").sort("winter")
    for (winter,), here in known.group_by("winter", maintain_order=True):
        own = here.filter(pl.col("member_id") == member)
        others = here.filter(pl.col("member_id") != member)
        is_enough = others["member_id"].n_unique() >= minimum
        share = float(others["is_alive"].cast(pl.Float64).mean() or 0) if is_enough else None  # type: ignore[arg-type]
        if own.height:
            rows.append(ShareRow(int(winter), int(own["is_alive"].sum()), own.height, share))
    return rows


def compare_loggers(records: Records, member: str, column: str, minimum: int) -> LoggerLines | None:
    """Take the member's newest winter with readings, and the others' readings of that winter.

    Parameters
    ----------
    records : Records
    member : str
    column : str
        ``temperature_mean_c`` or ``humidity_mean_pct``.
    minimum : int
        Fewest other members behind a week.

    Returns
    -------
    LoggerLines or None
        None when the member has no such reading.
    """
    if records.sensor_days.is_empty():
        return None
    values = records.sensor_days.select(
        "member_id", "colony_id", "winter", "position", day="observed_on", value=column
    ).drop_nulls("value")
    own = values.filter(pl.col("member_id") == member)
    if own.is_empty():
        return None
    winter = int(own["winter"].max())  # type: ignore[arg-type]
    here = values.filter(pl.col("winter") == winter).sort("colony_id", "day")
    own_lines: dict[str, dict[str, pl.DataFrame]] = {}
    weeks = {}
    for position in INSIDE:
        there = here.filter(pl.col("position") == position)
        mine = there.filter(pl.col("member_id") == member)
        if mine.is_empty():
            continue
        own_lines[position] = {
            str(colony): line.select("day", "value")
            for (colony,), line in mine.group_by("colony_id", maintain_order=True)
        }
        weeks[position] = _weeks(there.filter(pl.col("member_id") != member), minimum)
    return LoggerLines(winter, own_lines, weeks)


def _weeks(readings: pl.DataFrame, minimum: int) -> pl.DataFrame:
    """Return the middle half week by week, dated in the week's middle, of enough members."""
    return (
        readings.group_by(day=pl.col("day").dt.truncate("1w"))
        .agg(
            low=pl.col("value").quantile(0.25, interpolation="linear"),
            high=pl.col("value").quantile(0.75, interpolation="linear"),
            n=pl.col("member_id").n_unique(),
        )
        .filter(pl.col("n") >= minimum)
        .sort("day")
        .select(pl.col("day").dt.offset_by("3d"), "low", "high")
    )
