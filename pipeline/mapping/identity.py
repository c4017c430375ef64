"""Identity maps: which colony a tag stood for on a day.

A tag is painted on a box, and a box may be filled again after its colony died. Without such a map
the records of two colonies would be joined under one name.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import MappingError
from pipeline.mapping.spec import TagPeriod

_COLUMNS = ("tag", "from_on", "to_on", "colony_id")
_MOST_BYTES = 100_000_000
_EARLIEST, _LATEST = date(1, 1, 1), date(9999, 12, 31)


def read_periods(mapping: Path, name: str) -> tuple[TagPeriod, ...]:
    """Read an identity map kept as CSV beside its mapping, or elsewhere in the study.

    Raises
    ------
    MappingError
        The file lies outside the study, cannot be read, or its periods are wrong.
    """
    path = mapping.parent / name
    study = Path(os.path.realpath(mapping.parent)).parent
    if "\0" in name or not Path(os.path.realpath(path)).is_relative_to(study):
        raise MappingError(
            f"{mapping.name}: the identity map {name!r} lies outside the study folder.",
            mend="Copy it into the study's mappings folder.",
        )
    try:
        if not path.is_file() or path.stat().st_size > _MOST_BYTES:
            raise OSError
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = [row for row in csv.DictReader(file) if any(row.values())]
    except (OSError, UnicodeDecodeError, csv.Error):
        raise MappingError(
            f"{mapping.name}: the identity map {name!r} cannot be read.",
            mend=f"Keep it beside the mapping, as UTF-8 CSV with columns {', '.join(_COLUMNS)}.",
        ) from None
    return tag_periods(rows, name)


def tag_periods(rows: Iterable[dict[str, Any]], place: str) -> tuple[TagPeriod, ...]:
    """Check the rows of an identity map; an empty date leaves the period open on that side.

    Raises
    ------
    MappingError
        A column is missing, a date cannot be read, a period ends before it begins, or two periods
        of one tag overlap.
    """
    periods = []
    for number, row in enumerate(rows, 1):
        where = f"{place}, period {number}"
        tag, colony_id = (str(row.get(key) or "").strip() for key in ("tag", "colony_id"))
        if not tag or not colony_id:
            raise MappingError(
                f"{where} lacks a tag or a colony_id.", mend=f"Give {', '.join(_COLUMNS)}."
            )
        from_on = _day(row.get("from_on"), _EARLIEST, where)
        to_on = _day(row.get("to_on"), _LATEST, where)
        if to_on < from_on:
            raise MappingError(f"{where} ends before it begins.", mend="Correct its dates.")
        periods.append(TagPeriod(tag, from_on, to_on, colony_id))
    if not periods:
        raise MappingError(f"{place} holds no period.", mend=f"Give {', '.join(_COLUMNS)}.")
    periods.sort(key=lambda period: (period.tag, period.from_on))
    for one, other in pairwise(periods):
        if one.tag == other.tag and other.from_on <= one.to_on:
            raise MappingError(
                f"{place}: on {other.from_on} the tag {one.tag!r} stands for both "
                f"{one.colony_id!r} and {other.colony_id!r}.",
                mend="End the first period before the second begins.",
            )
    return tuple(periods)


def _day(value: Any, default: date, where: str) -> date:
    if value is None or value == "":
        return default
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(str(value).strip())
    except ValueError:
        raise MappingError(f"{where}: {value!r} is no date.", mend="Write 2024-10-31.") from None


def colony_of(tag: pl.Expr, on: pl.Expr, periods: tuple[TagPeriod, ...]) -> pl.Expr:
    """Name the colony that had the tag on the day; null outside every period.

    Parameters
    ----------
    tag : polars.Expr
        String.
    on : polars.Expr
        Date.
    """
    known = pl.DataFrame(
        [(p.tag, p.from_on, p.to_on, p.colony_id) for p in periods],
        schema={"tag": pl.String, "from_on": pl.Date, "to_on": pl.Date, "colony_id": pl.String},
        orient="row",
    ).sort("from_on")

    def look_up(pairs: pl.Series) -> pl.Series:
        wanted = pairs.struct.unnest().with_row_index("place")
        found = (
            wanted.filter(pl.col("on").is_not_null())
            .sort("on")
            .join_asof(known, left_on="on", right_on="from_on", by="tag", check_sortedness=False)
            .filter(pl.col("on") <= pl.col("to_on"))
        )
        return wanted.join(
            found.select("place", "colony_id"), on="place", how="left", maintain_order="left"
        )["colony_id"]

    pair = pl.struct(tag.alias("tag"), on.alias("on"))
    return pair.map_batches(look_up, return_dtype=pl.String)
