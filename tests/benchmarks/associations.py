"""Invented associations of any size: their records, written as members would send them.

Everything here is invented. It is no model of wintering (``pipeline/demo`` is): values are drawn
apart from each other, so that only their number costs time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl

STATIONS = 10
COLD_C, WARM_C = -4.0, 19.0
_FOAM = "extruded polystyrene"


@dataclass(frozen=True, slots=True)
class Size:
    """Numbers of members, of colonies with each of them, and of winters."""

    members: int
    colonies_each: int
    winters: int
    last_winter: int = 2025

    @property
    def years(self) -> range:
        """The winters, each named by the year it starts."""
        return range(self.last_winter - self.winters + 1, self.last_winter + 1)


def records(size: Size, seed: int = 5) -> dict[str, pl.DataFrame]:
    """Records of an association: a frame each, with ``member`` where members send them.

    Each colony-winter has a set-up with its layers, two inspections, a wash, a treatment, a
    feeding, two weighings and an outcome.
    """
    rng = np.random.default_rng(seed)
    colonies = _colonies(size)
    units = colonies.select("member", "colony_id").join(
        pl.DataFrame({"winter": list(size.years)}), how="cross"
    )
    n = units.height

    def day(month: int, first: int, span: int, next_year: bool = False) -> pl.Expr:
        start = pl.date(pl.col("winter") + int(next_year), month, first)
        return start + pl.duration(days=pl.Series(rng.integers(0, span, n)))

    def number(low: float, high: float, digits: int = 1) -> pl.Series:
        return pl.Series(rng.uniform(low, high, n).round(digits))

    def choice(*words: str) -> pl.Series:
        return pl.Series(np.array(words)[rng.integers(0, len(words), n)])

    def seen(on: pl.Expr, low: float, high: float) -> pl.DataFrame:
        return units.select(
            "member",
            "colony_id",
            inspected_on=on,
            frames_of_bees=number(low, high),
            frames_of_brood=number(0, low),
            frames_in_hive=20,
            queen_status=choice("queenright", "not seen"),
            method=choice("each comb", "gaps from above"),
        )

    def weighed(on: pl.Expr, low: float, high: float) -> pl.DataFrame:
        return units.select(
            "member", "colony_id", weighed_on=on, gross_kg=number(low, high), method=choice("scale")
        )

    thickness = pl.Series(rng.choice([0.0, 30.0, 50.0], n))
    return {
        **_places(size),
        "colonies": colonies,
        "set_ups": units.select(
            "member",
            "colony_id",
            "winter",
            installed_on=day(10, 20, 20),
            removed_on=day(4, 10, 20, next_year=True),
            top_opening=choice("open", "closed"),
            assignment=choice("randomised", "chosen"),
        ),
        "set_up_layers": units.with_columns(thickness_mm=thickness)
        .filter(pl.col("thickness_mm") > 0)
        .join(pl.DataFrame({"surface": ["sides", "top"]}), how="cross")
        .select(
            "member",
            "colony_id",
            "winter",
            "surface",
            layer_no=1,
            material=pl.lit(_FOAM),
            thickness_mm="thickness_mm",
        ),
        "strength_inspections": pl.concat(
            [seen(day(9, 20, 20), 5, 15), seen(day(4, 5, 20, next_year=True), 2, 12)]
        ),
        "mite_counts": units.select(
            "member",
            "colony_id",
            sampled_on=day(9, 1, 25),
            method=choice("alcohol wash"),
            sample_no=1,
            bees_sampled=300,
            mites_counted=pl.Series(rng.poisson(6, n)),
        ),
        "treatments": units.select(
            "member",
            "colony_id",
            applied_on=day(8, 1, 25),
            active_ingredient=choice("formic acid", "oxalic acid", "thymol"),
        ),
        "feedings": units.select(
            "member",
            "colony_id",
            fed_on=day(9, 1, 20),
            feed=pl.lit("syrup 2:1"),
            mass_kg=number(2, 14),
        ),
        "weighings": pl.concat(
            [weighed(day(10, 1, 15), 35, 55), weighed(day(3, 20, 15, next_year=True), 22, 40)]
        ),
        "winter_outcomes": units.select(
            "member",
            "colony_id",
            "winter",
            checked_on=day(4, 5, 20, next_year=True),
            state=pl.Series(rng.choice(["alive", "alive", "alive", "alive", "dead"], n)),
        ),
    }


def _colonies(size: Size) -> pl.DataFrame:
    n = size.members * size.colonies_each
    member = pl.Series(np.repeat(np.arange(size.members), size.colonies_each))
    return pl.DataFrame({"member": member, "no": np.arange(n)}).select(
        "member",
        colony_id=pl.format("C{}", "no"),
        apiary_id=pl.format("A{}", "member"),
        inner_length_mm=465.0,
        inner_width_mm=375.0,
        inner_height_mm=430.0,
        wall_material=pl.lit("softwood"),
        wall_thickness_mm=20.0,
        cover_material=pl.lit("softwood"),
        cover_thickness_mm=20.0,
        floor_material=pl.lit("softwood"),
        floor_thickness_mm=20.0,
        frames_max=20,
        empty_hive_kg=19.5,
        established_year=size.years[0] - 1,
    )


def _places(size: Size) -> dict[str, pl.DataFrame]:
    """What the coordinator sends: members, apiaries, stations and their daily weather."""
    members = pl.DataFrame({"no": np.arange(size.members)})
    stations = pl.DataFrame({"no": np.arange(STATIONS)})
    days = pl.DataFrame(
        {
            "observed_on": pl.date_range(
                date(size.years[0], 7, 1), date(size.years[-1] + 1, 6, 30), eager=True
            )
        }
    )
    season = (2 * np.pi * (pl.col("observed_on").dt.ordinal_day() - 15) / 365.25).cos()
    mean = (WARM_C + COLD_C) / 2 - season * (WARM_C - COLD_C) / 2 - pl.col("no") * 0.3
    return {
        "members": members.select(member_id=pl.format("M{}", "no"), may_publish=True),
        "apiaries": members.select(
            apiary_id=pl.format("A{}", "no"),
            member_id=pl.format("M{}", "no"),
            elevation_m=200.0,
            wind_exposure=pl.lit("moderate"),
            station_id=pl.format("S{}", pl.col("no") % STATIONS),
        ),
        "weather_stations": stations.select(
            station_id=pl.format("S{}", "no"), name=pl.lit("invented"), elevation_m=200.0
        ),
        "weather_daily": stations.join(days, how="cross").select(
            station_id=pl.format("S{}", "no"),
            observed_on="observed_on",
            temperature_mean_c=mean.round(1),
        ),
    }


def hourly_readings(size: Size, positions: tuple[str, ...], seed: int = 6) -> pl.DataFrame:
    """Hourly readings of every colony from 1 October to 31 March, all positions at every hour.

    Columns ``colony_id``, ``logged_at`` (UTC), ``position``, ``temperature_c``, ``humidity_pct``.
    """
    rng = np.random.default_rng(seed)
    hours = pl.concat(
        pl.datetime_range(
            pl.datetime(year, 10, 1, time_zone="UTC"),
            pl.datetime(year + 1, 3, 31, 23, time_zone="UTC"),
            "1h",
            eager=True,
        )
        for year in size.years
    )
    frame = (
        _colonies(size)
        .select("colony_id")
        .join(pl.DataFrame({"logged_at": hours}), how="cross")
        .join(pl.DataFrame({"position": positions}), how="cross")
    )
    warmth = pl.col("position").replace_strict({"outside": 1.0, "brood nest": 25.0}, default=14.0)
    return frame.with_columns(
        temperature_c=(warmth + pl.Series(rng.normal(0, 3, frame.height))).round(2),
        humidity_pct=pl.Series(rng.uniform(45, 95, frame.height)).round(1),
    )


def write_association(inbox: Path, weather: Path, tables: dict[str, pl.DataFrame]) -> int:
    """Write a file for each member and record, and the coordinator's; return how many."""
    written = 0
    for name, frame in tables.items():
        if "member" not in frame.columns:
            folder = weather if name.startswith("weather") else inbox
            frame.write_csv(folder / f"{name}.csv")
            written += 1
            continue
        for (member,), own in frame.partition_by("member", as_dict=True, include_key=False).items():
            own.write_csv(inbox / f"M{member} {name}.csv")
            written += 1
    return written
