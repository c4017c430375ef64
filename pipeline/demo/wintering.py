"""The daily mechanism: heat, stores, brood, bees and the hazards of one winter.

It is no regression: every day a cluster loses heat to the weather through its
hive, eats what that costs, rears brood from late winter on, shrinks, and runs
the risks of mites, cold, damp, hunger, a failing queen and bad luck. Set-ups act
only through the heat that leaves the hive and the damp that stays in it.
The constants are chosen for plausible totals, not measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.set_ups import Envelope

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

HONEY_J_PER_KG = 12.7e6
"""Food energy of honey: 304 kcal per 100 g (USDA food table)."""
BEES_KG_PER_FRAME = 0.288
CORE_C = 22.0
CAUSES = ("mites", "starvation", "queen", "moisture", "cold", "other")


@dataclass(frozen=True, slots=True)
class Autumn:
    """State of colonies on 1 October; arrays have shape (hive,)."""

    frames: Floats
    stores_kg: Floats
    mite_log_load: Floats
    mite_growth_per_d: Floats
    is_treated: Bools
    oxalic_log_effect: Floats
    oxalic_day: Ints
    queen_age_years: Floats
    appetite: Floats
    brood_start_d: Floats
    emergency_feed_kg: Floats
    routine_feed_kg: Floats


@dataclass(frozen=True, slots=True)
class Conditions:
    """Weather at each hive and when the winter set-up stands; shape (day, hive)."""

    temperature_c: Floats
    wind_m_s: Floats
    is_set_up: Bools
    daylight: Floats


@dataclass(frozen=True, slots=True)
class Course:
    """How a winter runs if no colony died; arrays have shape (day, scenario, hive).

    Attributes
    ----------
    stores_kg, eaten_kg, frames, brood_frames : numpy.ndarray
        State at the end of each day; ``eaten_kg`` is that day's.
    hazard : numpy.ndarray, shape (cause, day, scenario, hive)
        Hazard of death per day by cause, in the order of ``CAUSES``.
    heat_w : numpy.ndarray
        Heat the cluster gives off.
    fed_kg : numpy.ndarray
        Emergency fondant given that day.
    """

    stores_kg: Floats
    eaten_kg: Floats
    frames: Floats
    brood_frames: Floats
    hazard: Floats
    heat_w: Floats
    fed_kg: Floats

    @property
    def cumulative_hazard(self) -> Floats:
        """Summed over causes and days up to each day; shape (day, scenario, hive)."""
        return np.asarray(self.hazard.sum(axis=0).cumsum(axis=0))


ROUTINE_DAY = 104  # 13 January
FONDANT_DAY = 152  # 2 March
FORAGE_DAY = 198  # 17 April; willow and dandelion
FONDANT_STORES = 1.0  # honey-equivalent kg a kg


def overwinter(
    autumn: Autumn,
    conditions: Conditions,
    *,
    bare: Envelope,
    dressed: Envelope,
    is_open: Bools,
    has_absorber: Bools,
    noise: Floats,
) -> Course:
    """Run one winter day by day for all hives and set-ups at once, nobody dying.

    Parameters
    ----------
    autumn : Autumn
        Where each colony starts.
    conditions : Conditions
        What the days bring.
    bare, dressed : Envelope
        Conductances before and while the winter set-up stands; shapes (hive,) and
        (scenario, hive).
    is_open, has_absorber : numpy.ndarray of bool, shape (scenario, hive)
        Top opening and moisture absorber of the set-up.
    noise : numpy.ndarray, shape (day, hive)
        Standard normal day-to-day luck, the same in every scenario.

    Returns
    -------
    Course
        Paths of stores, bees, brood and hazards. Deaths are left to the caller, so that "what
        if nobody died" and "who died" come from the same run.
    """
    days = conditions.temperature_c.shape[0]
    shape = is_open.shape
    frames = np.broadcast_to(autumn.frames, shape).copy()
    stores = np.broadcast_to(autumn.stores_kg, shape).copy()
    nursery = np.zeros((days, *shape))
    out = {name: np.zeros((days, *shape)) for name in ("stores", "eaten", "frames", "heat", "fed")}
    hazard = np.zeros((len(CAUSES), days, *shape))
    for day in range(days):
        stands = conditions.is_set_up[day]
        outside, wind = conditions.temperature_c[day], conditions.wind_m_s[day]
        vent = np.where(stands & is_open, 0.16 * (1 + 0.10 * wind), 0.0)
        shell = np.where(stands, dressed.felt_w_per_k, bare.felt_w_per_k)
        shell = shell * (1 + 0.015 * wind * shell / bare.felt_w_per_k) + vent
        bees_kg = BEES_KG_PER_FRAME * frames
        # A cluster tightens as it cools: 0.25 W/K a kg at most tight, looser when it is warm.
        cluster = 0.24 * bees_kg * (1 + 0.9 / (1 + np.exp(-(outside - 4.0) / 3.0)))
        heat = np.clip(CORE_C - outside, 0.0, None) / (1 / cluster + 1 / shell)
        brood = nursery[day - 1] if day else np.zeros(shape)
        burnt_w = 0.75 * bees_kg + 0.82 * heat
        luck = autumn.appetite * np.exp(0.10 * noise[day])
        wanted = luck * (burnt_w * 86400 / HONEY_J_PER_KG + 0.032 * brood)
        fed = np.zeros(shape)
        if day == ROUTINE_DAY:
            fed = fed + autumn.routine_feed_kg
        if day == FONDANT_DAY:
            fed = np.where(stores < 7.0, autumn.emergency_feed_kg, 0.0)
        stores = stores + FONDANT_STORES * fed
        eaten = np.minimum(wanted, np.clip(stores, 0.0, None))
        income = 0.6 / (1 + np.exp(-(outside - 11.0))) if day >= FORAGE_DAY else 0.0
        stores = stores - eaten + income

        log_load = autumn.mite_log_load + autumn.mite_growth_per_d * min(day, 40)
        log_load = log_load - np.where(day >= autumn.oxalic_day, autumn.oxalic_log_effect, 0.0)
        load = np.exp(log_load)
        strain = np.clip(heat / bees_kg, 0.0, None)
        loss = 0.0016 + 0.00024 * load + 0.00022 * strain
        warmth = 5.0 * np.clip(1.6 - shell, 0.0, 1.6)
        onset = autumn.brood_start_d - warmth
        target = 0.55 * frames / (1 + np.exp(-(day - onset - 45) / 14))
        season = 1.6 / (1 + np.exp((day - 18) / 6))
        stress = np.clip(1.0 - 0.02 * np.clip(-outside, 0.0, None), 0.3, 1.0)
        nursery[day] = 0.93 * brood + 0.07 * (target * stress + season)
        emerged = 0.040 * nursery[day - 21] if day >= 21 else 0.0
        old_bees = 0.006 * conditions.daylight[day]
        frames = np.clip(frames * (1 - loss - old_bees) + emerged, 0.3, 19.0)

        damp_u = np.where(stands, dressed.top_u_w_per_m2k, bare.top_u_w_per_m2k)
        is_damp = stands & ~is_open
        hazard[0, day] = 0.00009 * load**1.25 * (day < 190)
        hazard[1, day] = 0.05 / (1 + np.exp((stores - 0.5) / 0.25))
        hazard[2, day] = (0.00013 + 0.00010 * autumn.queen_age_years) * np.ones(shape)
        hazard[3, day] = (
            0.00017
            * np.clip(damp_u - 0.45, 0.0, None)
            * np.where(is_damp, np.where(has_absorber, 0.55, 1.0), 0.2)
            * (outside < 5.0)
        )
        hazard[4, day] = 0.000036 * np.exp(np.clip((strain - 4.4) / 0.75, -6.0, 4.5))
        hazard[5, day] = 0.00016
        out["stores"][day], out["eaten"][day], out["frames"][day] = stores, eaten, frames
        out["heat"][day], out["fed"][day] = heat, fed
    return Course(
        stores_kg=out["stores"],
        eaten_kg=out["eaten"],
        frames=out["frames"],
        brood_frames=nursery,
        hazard=hazard,
        heat_w=out["heat"],
        fed_kg=out["fed"],
    )
