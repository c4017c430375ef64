"""What the invented keepers wrote down: one frame a record, in the contracts' own columns.

Every number is what a keeper would have seen, with the error of the method. Each
frame carries ``member`` (position of the member) beside the contract's columns.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.demo.extent import stream
from pipeline.demo.history import Winter
from pipeline.demo.mite_records import mite_counts, treatments
from pipeline.demo.observing import dates, frames_of_bees, is_there
from pipeline.demo.set_ups import added_foam, set_up_mass_kg
from pipeline.demo.weather import STATIONS
from pipeline.demo.wintering import BEES_KG_PER_FRAME, CAUSES
from pipeline.demo.world import EXPOSURES, World

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

WEIGHING_SD_KG = {"scale": 0.4, "luggage scale": 1.1, "frame estimate": 2.8}
WEIGHING_STEP_KG = {"scale": 0.1, "luggage scale": 0.5, "frame estimate": 1.0}
BROOD_KG_PER_FRAME = 0.45
CAUSE_WORDS = ("mites", "starvation", "queen", "moisture", "other", "unknown")
"""What keepers call the causes of ``wintering.CAUSES``: cold looks like "other"."""


def build_records(world: World, winters: Sequence[Winter]) -> dict[str, pl.DataFrame]:
    """Write down the winters as their keepers would have.

    Returns
    -------
    dict of str to polars.DataFrame
        One frame for each record but the loggers' and the weather's: the columns of its contract
        that the demonstration fills, and ``member``.
    """
    return {
        "apiaries": _apiaries(world),
        "colonies": _colonies(world, winters),
        "queens": _queens(world, winters),
        "stays": _stays(world, winters),
        "set_ups": pl.concat([_set_ups(world, w) for w in winters]),
        "set_up_layers": pl.concat([_layers(world, w) for w in winters]),
        "strength_inspections": pl.concat([_inspections(world, w) for w in winters]),
        "mite_counts": pl.concat([mite_counts(world, w) for w in winters]),
        "treatments": pl.concat([treatments(world, w) for w in winters]),
        "feedings": pl.concat([_feedings(world, w) for w in winters]),
        "weighings": pl.concat([_weighings(world, w) for w in winters]),
        "winter_outcomes": pl.concat([_outcomes(world, w) for w in winters]),
    }


def _apiaries(world: World) -> pl.DataFrame:
    apiaries = world.apiaries
    return pl.DataFrame(
        {
            "member": apiaries.member,
            "apiary_id": apiaries.apiary_id,
            "member_id": [world.members.member_id[m] for m in apiaries.member],
            "latitude": apiaries.latitude,
            "longitude": apiaries.longitude,
            "elevation_m": apiaries.elevation_m,
            "wind_exposure": [EXPOSURES[e] for e in apiaries.exposure],
            "station_id": [STATIONS[s].station_id for s in apiaries.station],
            "notes": ["invented place"] * len(apiaries),
        }
    )


def _colonies(world: World, winters: Sequence[Winter]) -> pl.DataFrame:
    hives = world.hives
    stocks = np.array(["valley black (invented)", "brask golden (invented)", "mixed"])
    stock = stocks[stream(world.seed, "stock").integers(0, 3, world.extent.members)]
    body = ["expanded polystyrene" if f else "softwood" for f in hives.is_foam]
    frames = [
        pl.DataFrame(
            {
                "member": hives.member,
                "colony_id": winter.colony_id,
                "apiary_id": [world.apiaries.apiary_id[a] for a in winter.apiary],
                "inner_length_mm": hives.inner_length_mm,
                "inner_width_mm": hives.inner_width_mm,
                "inner_height_mm": hives.inner_height_mm,
                "wall_material": body,
                "wall_thickness_mm": hives.wall_mm,
                "cover_material": body,
                "cover_thickness_mm": np.where(hives.is_foam, hives.wall_mm, 20.0),
                "floor_material": ["softwood"] * len(hives),
                "floor_thickness_mm": np.full(len(hives), 20.0),
                "frames_max": hives.frames_max,
                "empty_hive_kg": hives.empty_kg,
                "established_year": winter.established_year,
                "stock": [str(s) for s in stock[hives.member]],
            }
        )
        for winter in winters
    ]
    return pl.concat(frames).unique("colony_id", keep="first", maintain_order=True)


def _queens(world: World, winters: Sequence[Winter]) -> pl.DataFrame:
    rng = stream(world.seed, "queens")
    keeps_book = rng.random(world.extent.members) < 0.75
    frames = []
    for winter in winters:
        n = len(world.hives)
        hatched = winter.year - winter.autumn.queen_age_years.astype(int)
        day = rng.integers(0, 60, n)
        frame = pl.DataFrame(
            {
                "member": world.hives.member,
                "colony_id": winter.colony_id,
                "introduced_on": [
                    dt.date(int(year), 6, 10) + dt.timedelta(days=int(d))
                    for year, d in zip(hatched, day, strict=True)
                ],
                "hatched_year": hatched,
                "origin": rng.choice(["own breeding", "bought", "supersedure", "swarm"], n),
                "is_marked": rng.random(n) < 0.6,
            }
        )
        frames.append(frame.filter(pl.Series(keeps_book[world.hives.member])))
    return pl.concat(frames).unique(
        ["colony_id", "hatched_year"], keep="first", maintain_order=True
    )


def _stays(world: World, winters: Sequence[Winter]) -> pl.DataFrame:
    rng = stream(world.seed, "stays")
    rows: dict[str, list[object]] = {"member": [], "colony_id": [], "from_on": [], "apiary_id": []}
    for before, winter in pairwise(winters):
        moved = np.flatnonzero(
            (before.apiary != winter.apiary)
            & np.array([a == b for a, b in zip(before.colony_id, winter.colony_id, strict=True)])
        )
        for hive in moved:
            day = dt.date(winter.year, 6, 1) + dt.timedelta(days=int(rng.integers(0, 80)))
            rows["member"].append(int(world.hives.member[hive]))
            rows["colony_id"].append(winter.colony_id[hive])
            rows["from_on"].append(day)
            rows["apiary_id"].append(world.apiaries.apiary_id[winter.apiary[hive]])
    schema = {
        "member": pl.Int64,
        "colony_id": pl.String,
        "from_on": pl.Date,
        "apiary_id": pl.String,
    }
    return pl.DataFrame(rows, schema=schema)


def _is_set_up_written(world: World, winter: Winter) -> Bools:
    """Two set-ups in a hundred were never written down."""
    return stream(world.seed, "set-up book", winter.year).random(len(world.hives)) >= 0.02


def _set_ups(world: World, winter: Winter) -> pl.DataFrame:
    rng = stream(world.seed, "set-up records", winter.year)
    n, practice = len(world.hives), winter.practice
    mass = set_up_mass_kg(world, practice.level)
    frame = pl.DataFrame(
        {
            "member": world.hives.member,
            "colony_id": winter.colony_id,
            "winter": np.full(n, winter.year),
            "installed_on": dates(winter, winter.calendar.installed),
            "removed_on": dates(winter, winter.calendar.removed),
            "lower_entrance_width_mm": rng.choice([60.0, 80.0, 120.0], world.extent.members)[
                world.hives.member
            ],
            "top_opening": np.where(practice.is_open, "open", "closed"),
            "has_moisture_absorber": practice.has_absorber,
            "assignment": np.where(practice.is_randomised, "randomised", "chosen"),
            "material_cost": (6.5 * mass).round(2),
            "work_h": (0.1 + 0.22 * mass).round(2),
        }
    )
    return frame.filter(pl.Series(_is_set_up_written(world, winter)))


def _layers(world: World, winter: Winter) -> pl.DataFrame:
    hives, practice = world.hives, winter.practice
    written = _is_set_up_written(world, winter)
    rng = stream(world.seed, "layers", winter.year)
    seals = rng.random(world.extent.members) < 0.6
    # A sheet of roofing felt keeps the rain off and does not count as insulation.
    felt = (rng.random(world.extent.members) < 0.3)[hives.member] & (practice.level == 0)
    foam = added_foam(world, practice.level)
    material = np.array(world.members.foam_material)[hives.member]
    frames = []
    for surface in ("sides", "top", "bottom"):
        thickness = np.where(felt & (surface == "sides"), 2.0, foam[surface])
        frames.append(
            pl.DataFrame(
                {
                    "member": hives.member,
                    "colony_id": winter.colony_id,
                    "winter": np.full(len(hives), winter.year),
                    "surface": [surface] * len(hives),
                    "layer_no": np.ones(len(hives), dtype=int),
                    "material": np.where(felt & (surface == "sides"), "felt", material),
                    "thickness_mm": thickness,
                    "is_sealed": seals[hives.member],
                }
            ).filter(pl.Series(written & (thickness > 0)))
        )
    return pl.concat(frames).sort("colony_id", "surface", maintain_order=True)


def _inspections(world: World, winter: Winter) -> pl.DataFrame:
    rng = stream(world.seed, "inspections", winter.year)
    n, hives, members = len(world.hives), world.hives, world.members
    ways = np.array(["each comb", "gaps from above", "gaps from above and below"])
    way = ways[stream(world.seed, "ways").integers(0, 3, world.extent.members)][hives.member]
    frames = []
    for day, missing in (
        (winter.calendar.inspected, 0.05),
        (winter.calendar.spring_inspected, 0.07),
    ):
        seen = frames_of_bees(winter, day) * members.frames_bias[hives.member]
        counted = np.clip(seen * np.exp(0.09 * rng.standard_normal(n)), 0.5, hives.frames_max)
        at = np.clip(day, 0, None), 0, np.arange(n)
        brood = winter.course.brood_frames[at] * np.exp(0.15 * rng.standard_normal(n))
        frames.append(
            pl.DataFrame(
                {
                    "member": hives.member,
                    "colony_id": winter.colony_id,
                    "inspected_on": dates(winter, day),
                    "frames_of_bees": (2 * counted).round() / 2,
                    "frames_of_brood": (2 * brood).round() / 2,
                    "frames_in_hive": hives.frames_max,
                    "queen_status": rng.choice(["queenright", "not seen"], n, p=[0.8, 0.2]),
                    "method": way,
                }
            ).filter(pl.Series(is_there(winter, day) & (rng.random(n) >= missing)))
        )
    return pl.concat(frames)


def _feedings(world: World, winter: Winter) -> pl.DataFrame:
    rng = stream(world.seed, "feedings", winter.year)
    n, hives = len(world.hives), world.hives
    syrup = np.clip(8 + 2.5 * world.members.skill[hives.member] + rng.normal(0, 1.5, n), 2, 20)
    day = np.full(n, -1) - rng.integers(17, 40, len(world.apiaries))[winter.apiary]
    fed = winter.course.fed_kg[:, 0]
    events = [("syrup 2:1", day, syrup.round(1))]
    events += [("fondant", np.full(n, d), fed[d]) for d in np.flatnonzero(fed.sum(axis=1) > 0)]
    frames = []
    for feed, on, mass in events:
        frame = pl.DataFrame(
            {
                "member": hives.member,
                "colony_id": winter.colony_id,
                "fed_on": dates(winter, on),
                "feed": [feed] * n,
                "mass_kg": mass,
            }
        )
        frames.append(frame.filter(pl.Series(is_there(winter, on) & (mass > 0))))
    return pl.concat(frames)


def _weighings(world: World, winter: Winter) -> pl.DataFrame:
    """Weigh in autumn, at midwinter by some, and in spring; foam counts once it stands there."""
    rng = stream(world.seed, "weighings", winter.year)
    n, hives, calendar = len(world.hives), world.hives, winter.calendar
    method = np.array(world.members.weighing_method)[hives.member]
    sd = np.array([WEIGHING_SD_KG[m] for m in method])
    step = np.array([WEIGHING_STEP_KG[m] for m in method])
    mass = set_up_mass_kg(world, winter.practice.level)
    frames, at = [], np.arange(n)
    added_later = np.zeros(n, dtype=bool)
    for day in (calendar.weighed, calendar.midwinter, calendar.spring_weighed):
        done = (day >= 0) & is_there(winter, day) & (rng.random(n) >= 0.05)
        stands = day >= calendar.installed
        when = np.clip(day, 0, None)
        true = (
            hives.empty_kg
            + winter.course.stores_kg[when, 0, at]
            + BEES_KG_PER_FRAME * winter.course.frames[when, 0, at]
            + BROOD_KG_PER_FRAME * winter.course.brood_frames[when, 0, at]
            + np.where(stands, mass, 0.0)
        )
        gross = ((true + sd * rng.standard_normal(n)) / step).round() * step
        parts = np.where(stands & added_later, mass, 0.0)
        frames.append(
            pl.DataFrame(
                {
                    "member": hives.member,
                    "colony_id": winter.colony_id,
                    "weighed_on": dates(winter, day),
                    "gross_kg": gross.round(1),
                    "method": method,
                    "parts_added_kg": pl.Series(parts).replace(0.0, None),
                }
            ).filter(pl.Series(done))
        )
        # Parts are noted at the first weighing after they were added, if one came before.
        added_later = np.where(done, ~stands, added_later)
    return pl.concat(frames)


def _outcomes(world: World, winter: Winter) -> pl.DataFrame:
    rng = stream(world.seed, "outcomes", winter.year)
    n, calendar = len(world.hives), winter.calendar
    is_lost = winter.death_day < calendar.checked
    by_disaster = np.array([d != "" for d in winter.disaster]) & is_lost
    queenless = (winter.death_cause == CAUSES.index("queen")) & (rng.random(n) < 0.5)
    state = np.select(
        [winter.is_sold, by_disaster, is_lost & queenless, is_lost],
        ["moved away", "lost to disaster", "alive without laying queen", "dead"],
        "alive",
    )
    words = np.array([CAUSE_WORDS[c] for c in range(len(CAUSES))])
    guess = np.where(rng.random(n) < 0.7, words[winter.death_cause], "unknown")
    cause = np.select(
        [by_disaster, state == "dead", state == "alive without laying queen"],
        ["disaster", guess, "queen"],
        "",
    )
    visits = np.stack([calendar.installed, calendar.midwinter, calendar.spring_weighed])
    late = np.where(visits >= winter.death_day, visits, 10_000).min(axis=0)
    found = np.minimum(late, calendar.checked)
    found_on = dates(winter, found).zip_with(
        pl.Series(state == "dead"), pl.Series([None] * n, dtype=pl.Date)
    )
    frame = pl.DataFrame(
        {
            "member": world.hives.member,
            "colony_id": winter.colony_id,
            "winter": np.full(n, winter.year),
            "checked_on": dates(winter, calendar.checked),
            "state": state,
            "likely_cause": pl.Series(cause).replace("", None),
            "death_found_on": found_on,
        }
    )
    return frame.filter(pl.Series(rng.random(n) >= 0.025))
