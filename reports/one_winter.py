"""The records of one logged colony through one winter, chosen by a stated rule.

Everything is told by the week and without the year, so that neither the place's weather nor a
day's work tells whose colony it is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import polars as pl

from pipeline.store import Store

FIRST_MONTH, DAYS = 9, 273  # from 1 September to the end of May
_UNIT: Final = ["colony_id", "winter"]
_EVENTS: Final = {
    "fed": ("feedings", "fed_on"),
    "weighed": ("weighings", "weighed_on"),
    "treated": ("treatments", "applied_on"),
    "mites counted": ("mite_counts", "sampled_on"),
    "strength seen": ("strength_inspections", "inspected_on"),
    "last check": ("winter_survival", "checked_on"),
}
RULE: Final = (
    "the one with the most daily values, from October to April, of temperature and humidity in "
    "the hive, weight, and temperature outside; of equals the one with the most visits on record; "
    "then the first in the order of the store"
)
_SERIES: Final = {"week": pl.Int64, "of": pl.String, "value": pl.Float64}


def _no_series() -> pl.DataFrame:
    return pl.DataFrame(schema=_SERIES)


@dataclass(frozen=True, slots=True)
class OneWinter:
    """One colony-winter, week by week from 1 September.

    Attributes
    ----------
    why_not : str
        Why nothing may be shown; the rest is then empty.
    n_colony_winters, n_members : int
        Logged colony-winters to choose from, and who keeps them.
    level : str
        Empty where too few members have loggers at that level.
    state : str
        What the last check found.
    temperature, humidity, weight : polars.DataFrame
        ``week, of, value``: weekly means; ``of`` is the logger's position or ``outside``, for
        weight ``scale`` (mean of the logger's) or ``weighed``.
    events : polars.DataFrame
        ``week, of, value``: visits; the value is kilograms fed, else empty.
    """

    why_not: str = ""
    n_colony_winters: int = 0
    n_members: int = 0
    level: str = ""
    state: str = ""
    temperature: pl.DataFrame = field(default_factory=_no_series)
    humidity: pl.DataFrame = field(default_factory=_no_series)
    weight: pl.DataFrame = field(default_factory=_no_series)
    events: pl.DataFrame = field(default_factory=_no_series)


def _of_winter(frame: pl.DataFrame, day: str) -> pl.DataFrame:
    """Add the winter, the day since 1 September and its week; days outside the window go."""
    on = pl.col(day)
    winter = (on.dt.year() - (on.dt.month() < 7).cast(pl.Int32)).cast(pl.Int64)
    since = (on - pl.date(winter, FIRST_MONTH, 1)).dt.total_days()
    return (
        frame.drop_nulls(day)
        .with_columns(winter=winter, since=since)
        .filter(pl.col("since").is_between(0, DAYS - 1))
        .with_columns(week=(pl.col("since") // 7).cast(pl.Int64))
    )


def _visits(store: Store) -> pl.DataFrame:
    """Visits on record: ``colony_id, winter, week, since, of, value``."""
    parts = []
    for kind, (table, day) in _EVENTS.items():
        if not store.has_table(table):
            continue
        value = "mass_kg" if kind == "fed" else "NULL"
        sql = f'SELECT colony_id, {day} AS day, {value}::DOUBLE AS value FROM "{table}"'
        parts.append(store.connection.sql(sql).pl().with_columns(of=pl.lit(kind)))
    return _of_winter(pl.concat(parts), "day")


def _outside(store: Store, logged: pl.DataFrame) -> pl.DataFrame:
    """Temperature outside by day: the hive's own sensor, else the station's at its height."""
    own = logged.filter(pl.col("position") == "outside").select(
        *_UNIT, "since", "week", own="temperature_mean_c"
    )
    if not (store.has_table("station_days") and store.has_table("degree_days")):
        return own.rename({"own": "value"})
    days = store.connection.sql(
        "SELECT station_id, observed_on, temperature_mean_c FROM station_days"
    ).pl()
    places = store.connection.sql(
        "SELECT colony_id, winter, station_id, coalesce(elevation_correction_k, 0) AS higher "
        "FROM degree_days"
    ).pl()
    units = logged.select(_UNIT).unique()
    stations = (
        units.join(places, on=_UNIT, how="inner")
        .join(_of_winter(days, "observed_on"), on=["station_id", "winter"], how="inner")
        .select(*_UNIT, "since", "week", station=pl.col("temperature_mean_c") + pl.col("higher"))
    )
    keys = [*_UNIT, "since", "week"]
    both = stations.join(own, on=keys, how="full", coalesce=True)
    return both.select(*keys, value=pl.coalesce("own", "station"))


def _choose(inside: pl.DataFrame, outside: pl.DataFrame, visits: pl.DataFrame) -> dict:
    """Choose the colony-winter by ``RULE``."""
    winter_days = pl.col("since").is_between(30, 241)  # 1 October to 30 April
    values = ("temperature_mean_c", "humidity_mean_pct", "weight_mean_kg")
    known = (
        inside.filter(winter_days)
        .group_by(*_UNIT, "since")
        .agg(pl.col(column).is_not_null().any() for column in values)
        .group_by(_UNIT)
        .agg(n_inside=pl.sum_horizontal(pl.col(column).sum() for column in values))
    )
    without = outside.filter(winter_days).drop_nulls("value").group_by(_UNIT)
    return (
        known.join(without.agg(n_outside=pl.len()), on=_UNIT, how="left")
        .join(visits.group_by(_UNIT).agg(n_visits=pl.len()), on=_UNIT, how="left")
        .with_columns(n_days=pl.col("n_inside") + pl.col("n_outside").fill_null(0))
        .sort(
            "n_days", pl.col("n_visits").fill_null(0), *_UNIT, descending=[True, True, False, False]
        )
        .row(0, named=True)
    )


def _weekly(frame: pl.DataFrame, of: pl.Expr, value: str) -> pl.DataFrame:
    return (
        frame.drop_nulls(value)
        .group_by("week", of.alias("of"))
        .agg(value=pl.col(value).mean())
        .select(pl.col(name).cast(kind) for name, kind in _SERIES.items())
        .sort("of", "week")
    )


def read_one_winter(store: Store, units: pl.DataFrame, minimum: int) -> OneWinter:
    """Choose one logged colony-winter and read its records.

    Parameters
    ----------
    store : Store
    units : polars.DataFrame
        Colony-winters to choose from.
    minimum : int
        Fewest members among whose colonies one may be shown.

    Notes
    -----
    Where members were asked whether their records may be published, only colonies of those who
    agreed are chosen from.
    """
    agreed = store.table("members") if store.has_table("members") else pl.DataFrame()
    owners = units.select("colony_id", pl.col("winter").cast(pl.Int64), "member_id", "level")
    if not agreed.is_empty():
        owners = owners.join(agreed.filter("may_publish"), on="member_id", how="semi")
    if not store.has_table("sensor_days"):
        return OneWinter("No analysed colony-winter has readings of a logger in the hive.")
    logged = _of_winter(store.table("sensor_days"), "observed_on").join(
        owners, on=_UNIT, how="inner"
    )
    inside = logged.filter(pl.col("position") != "outside")
    warm = inside.drop_nulls("temperature_mean_c")
    n_members = warm["member_id"].n_unique()
    n_units = warm.select(_UNIT).n_unique() if warm.height else 0
    if n_members < minimum:
        why = (
            "No analysed colony-winter has readings of a logger in the hive."
            if units["sensor_days"].fill_null(0).sum() == 0
            else f"The winter of one colony is shown only where at least {minimum} members who "
            "do not mind have loggers in their hives."
        )
        return OneWinter(why)
    outside, visits = _outside(store, logged), _visits(store)
    visits = visits.join(warm.select(_UNIT).unique(), on=_UNIT, how="semi")
    chosen = _choose(inside.join(warm, on=_UNIT, how="semi"), outside, visits)
    is_it = (pl.col("colony_id") == chosen["colony_id"]) & (pl.col("winter") == chosen["winter"])
    own, seen = inside.filter(is_it), visits.filter(is_it)
    level = own["level"][0]
    is_common = warm.filter(pl.col("level") == level)["member_id"].n_unique() >= minimum
    states = store.table("winter_survival").filter(is_it)["state"].drop_nulls()
    weighed = store.table("weighings").filter(pl.col("colony_id") == chosen["colony_id"])
    weighed = _of_winter(weighed, "weighed_on").filter(is_it)
    position = pl.col("position")
    return OneWinter(
        n_colony_winters=n_units,
        n_members=n_members,
        level=level if level and is_common else "",
        state=states[0] if len(states) else "",
        temperature=pl.concat(
            [
                _weekly(own, position, "temperature_mean_c"),
                _weekly(outside.filter(is_it), pl.lit("outside"), "value"),
            ]
        ),
        humidity=_weekly(own, position, "humidity_mean_pct"),
        weight=pl.concat(
            [
                _weekly(own, pl.lit("scale"), "weight_mean_kg"),
                _weekly(weighed, pl.lit("weighed"), "gross_kg"),
            ]
        ),
        events=seen.group_by("week", "of")
        .agg(value=pl.when(pl.col("value").count() > 0).then(pl.col("value").sum()))
        .select(pl.col(name).cast(kind) for name, kind in _SERIES.items())
        .sort("of", "week"),
    )
