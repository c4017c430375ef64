"""Which kinds of records exist in which month of the winter, counted in the store."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.store import Store
from reports.tables import hide_small

MONTHS: Final = (7, 8, 9, 10, 11, 12, 1, 2, 3, 4, 5, 6)
"""A winter's months: July opens it, as everywhere where a date is given to a winter."""

# what is shown -> table, its date, which of its rows
_DATED: Final = {
    "treated": ("treatments", "applied_on", "TRUE"),
    "mites counted": ("mite_counts", "sampled_on", "TRUE"),
    "queen introduced": ("queens", "introduced_on", "TRUE"),
    "fed": ("feedings", "fed_on", "TRUE"),
    "weighed": ("weighings", "weighed_on", "TRUE"),
    "strength seen": ("strength_inspections", "inspected_on", "TRUE"),
    "set-up installed": ("set_ups", "installed_on", "TRUE"),
    "logger in the hive": ("sensor_days", "observed_on", "position <> 'outside'"),
    "last check": ("winter_outcomes", "checked_on", "TRUE"),
}
WEATHER: Final = "weather of the place"
KINDS: Final = (*_DATED, WEATHER)

_BY_DATE = """
    SELECT '{kind}' AS kind, colony_id, year({day}) - (month({day}) < 7)::INTEGER AS winter,
        month({day}) AS month, count(*) AS n_records
    FROM "{table}" WHERE {day} IS NOT NULL AND {only} GROUP BY ALL
"""
_BY_STATION = """
    SELECT '{kind}' AS kind, colony_id, winter, month, n_records
    FROM degree_days JOIN (
        SELECT station_id, year(observed_on) - (month(observed_on) < 7)::INTEGER AS winter,
            month(observed_on) AS month, count(*) AS n_records
        FROM station_days WHERE temperature_mean_c IS NOT NULL GROUP BY ALL
    ) USING (station_id, winter)
"""
_FOUND: Final = {
    "kind": pl.String,
    "colony_id": pl.String,
    "winter": pl.Int64,
    "month": pl.Int64,
    "n_records": pl.Int64,
}


def read_coverage(store: Store, units: pl.DataFrame, minimum: int) -> pl.DataFrame:
    """Count the colony-winters with each kind of record, month by month.

    Parameters
    ----------
    store : Store
    units : polars.DataFrame
        Colony-winters to count, with ``colony_id, winter, member_id``.
    minimum : int
        Fewest members whose count may be shown.

    Returns
    -------
    polars.DataFrame
        ``kind, month, n_units, n_records, n_members, is_hidden``; kinds and months in their
        order, every month of every kind that has a record. Counts of too few members are null,
        and of one more month where they would follow from the kind's total.
    """
    asked = [
        _BY_DATE.format(kind=kind, table=table, day=day, only=only)
        for kind, (table, day, only) in _DATED.items()
        if store.has_table(table)
    ]
    if store.has_table("station_days") and store.has_table("degree_days"):
        asked.append(_BY_STATION.format(kind=WEATHER))
    found = store.connection.sql(" UNION ALL ".join(asked)).pl().cast(_FOUND)  # type: ignore[arg-type]
    owners = units.select("colony_id", pl.col("winter").cast(pl.Int64), "member_id")
    counted = (
        found.join(owners, on=["colony_id", "winter"], how="inner")
        .group_by("kind", "month")
        .agg(
            n_units=pl.len().cast(pl.Int64),
            n_records=pl.col("n_records").sum(),
            n_members=pl.col("member_id").drop_nulls().n_unique().cast(pl.Int64),
        )
    )
    present = [kind for kind in KINDS if kind in counted["kind"].to_list()]
    numbers = ["n_units", "n_records", "n_members"]
    parts = []
    for kind in present:
        months = pl.DataFrame({"kind": [kind] * 12, "month": MONTHS})
        whole = months.join(counted, on=["kind", "month"], how="left", maintain_order="left")
        whole = whole.with_columns(pl.col(numbers).fill_null(0))
        parts.append(hide_small(whole, numbers, minimum=minimum))
    empty = counted.clear().with_columns(is_hidden=pl.lit(None, pl.Boolean))
    return pl.concat(parts) if parts else empty
