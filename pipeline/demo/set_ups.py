"""What the hives look like each winter: levels chosen or drawn, layers, conductance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.extent import stream
from pipeline.demo.world import LEVELS, World
from pipeline.physics.envelope import Flow, air_to_air_resistance, layer_resistance, surface_areas
from pipeline.physics.materials import materials

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FLOW: dict[str, Flow] = {"sides": "horizontal", "top": "upward", "bottom": "downward"}
COVER_MM = 20.0
FOAM_KG_PER_M3 = 33.0
FULL = LEVELS.index("full")
PARTIAL = LEVELS.index("partial")


@dataclass(frozen=True, slots=True)
class Practice:
    """Set-ups of one winter as practised; arrays have shape (hive,)."""

    level: Ints
    is_open: Bools
    has_absorber: Bools
    is_randomised: Bools


@dataclass(frozen=True, slots=True)
class Envelope:
    """Conductances [W/K] of hives under given levels; shape (..., hive)."""

    sides_w_per_k: Floats
    top_w_per_k: Floats
    bottom_w_per_k: Floats
    top_u_w_per_m2k: Floats

    @property
    def felt_w_per_k(self) -> Floats:
        """Conductance as the cluster meets it: warm air gathers under the cover."""
        return 0.6 * self.sides_w_per_k + 1.3 * self.top_w_per_k + 0.5 * self.bottom_w_per_k


def added_foam(world: World, level: Ints) -> dict[str, Floats]:
    """Thickness [mm] of foam added to sides, top and bottom at the given levels.

    A foam hive body needs only a board under its floor to be insulated all round.

    Parameters
    ----------
    level : numpy.ndarray of int, shape (..., hive)
        Position in ``LEVELS``.
    """
    foam = np.array([world.members.foam_mm[m] for m in world.hives.member])
    is_body = world.hives.is_foam & (level >= PARTIAL)
    return {
        "sides": np.where((level >= PARTIAL) & ~is_body, foam, 0.0),
        "top": np.where((level >= 1) & ~is_body, foam, 0.0),
        "bottom": np.where(level == FULL, foam, 0.0),
    }


def envelope(world: World, level: Ints) -> Envelope:
    """Conductances of every hive at the given levels.

    A hive with a foam body cannot be bare; for the question "what if it were", it stands in a
    softwood body of the same size.
    """
    hives = world.hives
    added = np.array([_conductivity(world.members.foam_material[m]) for m in hives.member])
    softwood, body = _conductivity("softwood"), _conductivity("expanded polystyrene")
    is_body = hives.is_foam & (level >= PARTIAL)
    wall = layer_resistance(hives.wall_mm, np.where(is_body, body, softwood))
    board = layer_resistance(COVER_MM, softwood)
    base = {"sides": wall, "top": np.where(is_body, wall, board), "bottom": board}
    transmittance = {}
    for surface, thickness in added_foam(world, level).items():
        layers = np.stack(
            np.broadcast_arrays(base[surface], layer_resistance(thickness, added)), axis=-1
        )
        transmittance[surface] = 1 / air_to_air_resistance(layers, FLOW[surface])
    area = surface_areas(hives.inner_length_mm, hives.inner_width_mm, hives.inner_height_mm)
    return Envelope(
        sides_w_per_k=transmittance["sides"] * area[:, :4].sum(axis=1),
        top_w_per_k=transmittance["top"] * area[:, 4],
        bottom_w_per_k=transmittance["bottom"] * area[:, 5],
        top_u_w_per_m2k=transmittance["top"],
    )


def _conductivity(material: str) -> float:
    value = materials()[material].conductivity_w_per_mk
    if value is None:
        raise ValueError(f"{material} has no conductivity")
    return value


def set_up_mass_kg(world: World, level: Ints) -> Floats:
    """Mass of the added layers, tape and strap included; shape (hive,)."""
    hives = world.hives
    area = surface_areas(hives.inner_length_mm, hives.inner_width_mm, hives.inner_height_mm)
    foam = added_foam(world, level)
    volume = foam["sides"] * area[:, :4].sum(axis=1)
    volume = (volume + foam["top"] * area[:, 4] + foam["bottom"] * area[:, 5]) / 1000
    return np.asarray(np.where(volume > 0, volume * FOAM_KG_PER_M3 + 0.6, 0.0).round(1))


def practised(world: World, winter: int) -> Practice:
    """Draw what every hive looked like in one winter.

    Every third member lets a draw within each apiary decide between the levels they use; the
    others choose, the more inclined ones and those in the wind more often the warmer level.
    """
    rng = stream(world.seed, "set-ups", winter)
    hives, members = world.hives, world.members
    level = np.zeros(len(hives), dtype=np.int64)
    for place in range(len(world.apiaries)):
        at = np.flatnonzero(hives.apiary == place)
        member = int(world.apiaries.member[place])
        repertoire = np.array(members.repertoire[member])
        if members.is_randomising[member]:
            level[at] = rng.permutation(np.resize(rng.permutation(repertoire), len(at)))
            continue
        leaning = 0.45 * members.insulating[member] + 0.25 * (world.apiaries.exposure[place] - 1)
        weight = np.exp(leaning * np.arange(len(repertoire)))
        level[at] = rng.choice(repertoire, len(at), p=weight / weight.sum())
    level = np.where(hives.is_foam, np.maximum(level, PARTIAL), level)
    is_open = rng.random(len(hives)) < members.opening_share[hives.member]
    return Practice(
        level=level,
        is_open=is_open,
        has_absorber=~is_open & (rng.random(len(hives)) < 0.3),
        is_randomised=np.array(members.is_randomising)[hives.member] & ~hives.is_foam,
    )
