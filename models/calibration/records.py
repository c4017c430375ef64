"""What members of an invented association write down, and the tables the stages make of it.

Everything goes the way that real records go: rows of the contracts, then the stages. What is
not written down is missing in fixed numbers, so that pools of one association share a shape.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl

from models.calibration.mechanism import (
    DAYS,
    FIRST_WINTER,
    KG_PER_FRAME,
    MIDWINTER_WEIGHED,
    WEIGHED,
    Lives,
    World,
    live,
)
from models.vocabulary import LEVELS
from pipeline.contracts import load_contracts
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.stages.graph import build_tables
from pipeline.stages.stored import StoredTable

Rows = dict[str, list[dict[str, Any]]]

WALLS = ("front", "back", "left", "right")
INSULATED = {
    "none": (),
    "top": ("top",),
    "partial": (*WALLS, "top"),
    "full": (*WALLS, "top", "bottom"),
}
WOODEN = {
    "wall_material": "softwood",
    "wall_thickness_mm": 22.0,
    "cover_material": "softwood",
    "cover_thickness_mm": 22.0,
    "floor_material": "softwood",
    "floor_thickness_mm": 22.0,
}
EMPTY_KG = 15.0
FOUND = {"alcohol wash": 0.93, "sugar roll": 0.76}
GROWTH_PER_DAY = 0.02
SAMPLED_BEFORE = 16  # days before 1 October
BROOD_PER_FRAME = 0.35  # frames of brood in spring, per frame of bees
BROOD_FRAME_KG = 0.45
UNCOUNTED, UNWEIGHED, NO_QUEEN_YEAR, NO_AUTUMN_COUNT = 0.4, 0.05, 0.2, 0.1


def colony_id(world: World, unit: int) -> str:
    """Name of a unit's colony; every winter begins with new colonies."""
    return f"C{unit:04d}"


def apiary_id(number: int) -> str:
    """Name of an apiary."""
    return f"A{number:03d}"


def _some(n: int, share: float, rng: np.random.Generator) -> np.ndarray:
    """A fixed number of units, drawn at random; True where drawn."""
    chosen = np.zeros(n, dtype=bool)
    chosen[rng.choice(n, round(share * n), replace=False)] = True
    return chosen


def last_day(world: World, lives: Lives) -> np.ndarray:
    """Day on which each colony dies; ``DAYS`` for one that comes through."""
    dies = lives.hazard >= world.luck[:, None]
    return np.where(dies.any(axis=1), dies.argmax(axis=1), DAYS)


def _places(world: World) -> Rows:
    exposure = ("sheltered", "moderate", "exposed")
    rows: Rows = {"apiaries": [], "weather_stations": [], "weather_daily": []}
    for a, member in enumerate(world.apiary_member):
        name, height = apiary_id(a), float(world.elevation_m[a])
        rows["apiaries"].append(
            {
                "apiary_id": name,
                "member_id": f"M{member:03d}",
                "station_id": f"S{a:03d}",
                "elevation_m": height,
                "wind_exposure": exposure[world.wind[a]],
            }
        )
        rows["weather_stations"].append({"station_id": f"S{a:03d}", "elevation_m": height})
        for winter, temperatures in enumerate(world.outside_c[a]):
            first = date(FIRST_WINTER + winter, 10, 1)
            rows["weather_daily"] += [
                {
                    "station_id": f"S{a:03d}",
                    "observed_on": first + timedelta(days=d),
                    "temperature_mean_c": round(float(c), 1),
                }
                for d, c in enumerate(temperatures)
            ]
    return rows


def _layers(colony: str, winter: int, level: str) -> list[dict[str, Any]]:
    return [
        {
            "colony_id": colony,
            "winter": winter,
            "surface": surface,
            "layer_no": 1,
            "material": "extruded polystyrene",
            "thickness_mm": 40.0,
        }
        for surface in INSULATED[level]
    ]


def _inspection(colony: str, day: date, frames: float, brood: float | None) -> dict[str, Any]:
    return {
        "colony_id": colony,
        "inspected_on": day,
        "frames_of_bees": max(round(4.0 * frames) / 4.0, 0.25),
        "frames_of_brood": brood,
        "queen_status": "queenright",
        "method": "gaps from above and below",
    }


def write_records(world: World, rng: np.random.Generator) -> Rows:
    """Write down an association's winters.

    Parameters
    ----------
    world : World
    rng : numpy.random.Generator
        Of errors of reading, and of what is left unwritten.

    Returns
    -------
    dict of str to list of dict
        Rows by record.
    """
    lives = live(world, world.level)
    ends = last_day(world, lives)
    n = world.n_units
    counted = ~_some(n, UNCOUNTED, rng)
    unweighed, no_queen = _some(n, UNWEIGHED, rng), _some(n, NO_QUEEN_YEAR, rng)
    no_autumn = _some(n, NO_AUTUMN_COUNT, rng)
    rollers = _some(world.association.n_members, 0.35, rng)
    rows: Rows = _places(world) | {
        name: []
        for name in (
            "colonies",
            "queens",
            "set_ups",
            "set_up_layers",
            "strength_inspections",
            "mite_counts",
            "treatments",
            "weighings",
            "winter_outcomes",
        )
    }
    for i in range(n):
        colony, winter = colony_id(world, i), FIRST_WINTER + int(world.winter[i])
        key = {"colony_id": colony, "winter": winter}
        rows["colonies"].append(
            {
                "colony_id": colony,
                "apiary_id": apiary_id(world.apiary[i]),
                "inner_length_mm": 465.0,
                "inner_width_mm": 375.0,
                "inner_height_mm": 240.0,
                "frames_max": 20,
                "empty_hive_kg": EMPTY_KG,
            }
            | WOODEN
        )
        rows["set_ups"].append(
            key
            | {
                "top_opening": "open" if world.opening[i] else "closed",
                "assignment": "chosen",
                "installed_on": date(winter, 10, 16),  # after the autumn weighing: weighed bare
            }
        )
        rows["set_up_layers"] += _layers(colony, winter, LEVELS[world.level[i]])
        if not no_queen[i]:
            hatched = winter - int(world.queen_age[i])
            queen = {"colony_id": colony, "introduced_on": date(winter, 7, 1)}
            rows["queens"].append(queen | {"hatched_year": hatched})
        if world.treated[i]:
            rows["treatments"].append(
                {
                    "colony_id": colony,
                    "applied_on": date(winter, 8, 20),
                    "active_ingredient": "formic acid",
                }
            )
        if counted[i]:
            method = "sugar roll" if rollers[world.member[i]] else "alcohol wash"
            rows["mite_counts"].append(_mite_count(world, i, method, rng))
        frames = world.autumn_kg[i] / KG_PER_FRAME
        if not no_autumn[i]:
            seen = frames * (1.0 + 0.15 * rng.normal())
            rows["strength_inspections"].append(_inspection(colony, date(winter, 10, 1), seen, 0.0))
        died = ends[i] < DAYS
        rows["weighings"] += _weighings(world, lives, i, ends[i], bool(unweighed[i]), rng)
        spring = world.day(i, DAYS - 1)
        outcome = key | {"checked_on": spring, "state": "dead" if died else "alive"}
        if died:
            outcome |= {"death_found_on": world.day(i, int(ends[i])), "likely_cause": "unknown"}
        else:
            true = lives.bees_kg[i, -1] / KG_PER_FRAME
            seen = true * (1.0 + 0.15 * rng.normal())
            brood = round(2.0 * BROOD_PER_FRAME * true) / 2.0
            rows["strength_inspections"].append(_inspection(colony, spring, seen, brood))
        rows["winter_outcomes"].append(outcome)
    return rows


def _mite_count(world: World, unit: int, method: str, rng: np.random.Generator) -> dict[str, Any]:
    bees = int(rng.normal(305, 20))
    log_load = world.load[unit] - GROWTH_PER_DAY * SAMPLED_BEFORE
    mean = bees / 100 * FOUND[method] * np.exp(log_load) * rng.gamma(10.0, 0.1)
    sampled_on = world.day(unit, -14 - SAMPLED_BEFORE)
    return {
        "colony_id": colony_id(world, unit),
        "sampled_on": sampled_on,
        "method": method,
        "sample_no": 1,
        "bees_sampled": bees,
        "mites_counted": int(rng.poisson(mean)),
    }


def _weighings(
    world: World, lives: Lives, unit: int, end: int, is_unweighed: bool, rng: np.random.Generator
) -> list[dict[str, Any]]:
    """In autumn; then in April, or in February for a colony that was alive only then."""
    at = [0]
    if not is_unweighed:
        at += [WEIGHED] if end > WEIGHED else [MIDWINTER_WEIGHED] if end > MIDWINTER_WEIGHED else []
    # a member who weighs nothing in spring still weighs in autumn: autumn stores stay known
    made = []
    for day in at:
        bees = lives.bees_kg[unit, day] if day else world.autumn_kg[unit]
        eaten = lives.eaten_kg[unit, day] if day else 0.0
        brood = BROOD_PER_FRAME * bees / KG_PER_FRAME if day == WEIGHED else 0.0
        gross = EMPTY_KG + bees + world.stores_kg[unit] - eaten + BROOD_FRAME_KG * brood
        made.append(
            {
                "colony_id": colony_id(world, unit),
                "weighed_on": world.day(unit, day),
                "gross_kg": float(gross + 0.5 * rng.normal()),
                "method": "scale",
            }
        )
    return made


def build_pool_tables(rows: Rows, settings: Settings) -> dict[str, pl.DataFrame]:
    """Send records through the stages.

    Parameters
    ----------
    rows : dict of str to list of dict
        By record; records that are not named are empty.
    settings : Settings

    Returns
    -------
    dict of str to polars.DataFrame
        Every derived table by name.
    """
    frames = {}
    for name, contract in load_contracts().items():
        columns = [field.name for field in contract.fields]
        full = [{column: row.get(column) for column in columns} for row in rows.get(name, [])]
        frames[name] = pl.DataFrame(full, schema=contract.polars_schema, orient="row")
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.register("_readings", frames["sensor_readings"])
        connection.execute("CREATE TABLE sensor_readings AS FROM _readings")
        stored = StoredTable(connection, "sensor_readings")
        tables, _ = build_tables(frames.__getitem__, lambda _: stored, settings, SILENT)
    return tables
