"""What goes wrong between the hive and the file: one function a fault, on rows of records."""

from __future__ import annotations

from datetime import date

import numpy as np

from models.calibration.mechanism import DAYS, FIRST_WINTER, World, live
from models.calibration.records import Rows, apiary_id, colony_id, last_day
from models.vocabulary import LEVELS

POUNDS_PER_KG = 2.20462262
FOAM = {
    "wall_material": "expanded polystyrene",
    "wall_thickness_mm": 40.0,
    "cover_material": "expanded polystyrene",
    "cover_thickness_mm": 40.0,
    "floor_material": "expanded polystyrene",
    "floor_thickness_mm": 40.0,
}


def _without(rows: list[dict], lost: set[tuple], *key: str) -> list[dict]:
    return [row for row in rows if tuple(row[column] for column in key) not in lost]


def sparse_biased_counts(world: World, rows: Rows, rng: np.random.Generator) -> Rows:
    """Three counts in four were never made: sugar rolls, which find less, are kept first."""
    order = sorted(
        rows["mite_counts"], key=lambda row: (row["method"] != "sugar roll", rng.random())
    )
    rolls = [row for row in order if row["method"] == "sugar roll"][: world.n_units // 15]
    washes = [row for row in order if row["method"] != "sugar roll"]
    washes = washes[: world.n_units // 6 - len(rolls)]
    return rows | {"mite_counts": rolls + washes}


def heavy_hives_weighed(world: World, rows: Rows, rng: np.random.Generator) -> Rows:
    """A third of the spring weighings is missing, mostly of hives that had become light."""
    spring = [row for row in rows["weighings"] if row["weighed_on"].month in (1, 2, 3, 4)]
    weight = np.array([row["gross_kg"] for row in spring])
    score = (weight - weight.mean()) / weight.std() + rng.normal(0.0, 1.0, len(spring))
    lightest = np.argsort(score)[: len(spring) // 3]
    lost = {(spring[k]["colony_id"], spring[k]["weighed_on"]) for k in lightest}
    return rows | {"weighings": _without(rows["weighings"], lost, "colony_id", "weighed_on")}


def disaster_at_one_apiary(world: World, rows: Rows, rng: np.random.Generator) -> Rows:
    """A flood takes every colony of one yard in January; the yard is one that insulates most."""
    full = np.bincount(world.apiary[world.level == 3], minlength=len(world.apiary_member))
    struck = (world.apiary == full.argmax()) & (world.winter == 0)
    names = {colony_id(world, i) for i in np.flatnonzero(struck).tolist()}
    found = date(FIRST_WINTER + 1, 1, 20)
    outcomes = [
        row | {"state": "lost to disaster", "likely_cause": "disaster", "death_found_on": found}
        if row["colony_id"] in names
        else row
        for row in rows["winter_outcomes"]
    ]

    def before(name: str, column: str) -> list[dict]:
        return [row for row in rows[name] if row["colony_id"] not in names or row[column] < found]

    return rows | {
        "winter_outcomes": outcomes,
        "weighings": before("weighings", "weighed_on"),
        "strength_inspections": before("strength_inspections", "inspected_on"),
    }


def colonies_moved(world: World, rows: Rows, rng: np.random.Generator) -> Rows:
    """A sixth of the colonies are listed where they once stood, and were moved in August."""
    moved = set(rng.choice(world.n_units, world.n_units // 6, replace=False).tolist())
    n_apiaries = len(world.apiary_member)
    colonies, stays = [], []
    for i, row in enumerate(rows["colonies"]):
        if i in moved:
            earlier = (world.apiary[i] + 1 + rng.integers(n_apiaries - 1)) % n_apiaries
            moved_on = date(FIRST_WINTER + int(world.winter[i]), 8, 15)
            stays.append(
                {
                    "colony_id": row["colony_id"],
                    "from_on": moved_on,
                    "apiary_id": apiary_id(world.apiary[i]),
                }
            )
            colonies.append(row | {"apiary_id": apiary_id(int(earlier))})
        else:
            colonies.append(row)
    return rows | {"colonies": colonies, "stays": stays}


def pounds_as_kilograms(world: World, rows: Rows, rng: np.random.Generator) -> Rows:
    """One member's scale reads pounds; the figures stay within the contract's range."""
    wrong = int(rng.integers(world.association.n_members))
    names = {colony_id(world, i) for i in np.flatnonzero(world.member == wrong).tolist()}
    weighings = [
        row | {"gross_kg": row["gross_kg"] * POUNDS_PER_KG} if row["colony_id"] in names else row
        for row in rows["weighings"]
    ]
    return rows | {"weighings": weighings}


def losses_unreported(world: World, rows: Rows, rng: np.random.Generator) -> Rows:
    """Half of the losses without insulation are never reported; all others are."""
    died = last_day(world, live(world, world.level)) < DAYS
    lost = np.flatnonzero(died & (world.level == LEVELS.index("none")))
    unseen = rng.permutation(lost)[: len(lost) // 2].tolist()
    silent = {(colony_id(world, i),) for i in unseen}
    return rows | {"winter_outcomes": _without(rows["winter_outcomes"], silent, "colony_id")}


def foam_bodies_unwrapped(world: World, rows: Rows, rng: np.random.Generator) -> Rows:
    """Half of the members insulate fully by a foam body, cover and floor, and wrap nothing."""
    members = rng.permutation(world.association.n_members)[: world.association.n_members // 2]
    foam = np.isin(world.member, members) & (world.level == LEVELS.index("full"))
    names = {(colony_id(world, i),) for i in np.flatnonzero(foam).tolist()}
    colonies = [row | FOAM if (row["colony_id"],) in names else row for row in rows["colonies"]]
    layers = _without(rows["set_up_layers"], names, "colony_id")
    return rows | {"colonies": colonies, "set_up_layers": layers}
