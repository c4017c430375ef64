"""Winter after winter: autumns, set-ups, fates, and the same winters under other set-ups.

Every colony-winter is run once as practised and once under each level with the
same weather, the same autumn and the same luck. The truth is the mean
difference between those runs, so it owes nothing to any statistical model.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.extent import stream
from pipeline.demo.set_ups import Envelope, Practice, envelope, practised
from pipeline.demo.weather import LAPSE_K_PER_M, STATIONS, Weather
from pipeline.demo.wintering import CAUSES, Autumn, Conditions, Course, overwinter
from pipeline.demo.world import LEVELS, World

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DAYS = 227
"""Days from 1 October to 15 May."""
SCENARIOS = ("practised", *LEVELS, "full closed")
SPRING_REFERENCE_D = 201
"""20 April, counted from 1 October."""


@dataclass(frozen=True, slots=True)
class Calendar:
    """Days counted from 1 October on which the keepers act; shape (hive,), alike in an apiary."""

    inspected: Ints
    weighed: Ints
    installed: Ints
    midwinter: Ints
    spring_weighed: Ints
    removed: Ints
    checked: Ints
    spring_inspected: Ints


@dataclass(frozen=True, slots=True)
class Winter:
    """One winter of every hive.

    Attributes
    ----------
    year : int
        The winter, named by the year it starts.
    apiary : numpy.ndarray of int, shape (hive,)
        Where each hive stands; a few have been moved since the winter before.
    colony_id : list of str
        Who lives in each hive.
    autumn, practice, calendar, course
        How it began, was kept and ran; ``course`` has the scenarios of ``SCENARIOS``.
    death_day : numpy.ndarray of int, shape (hive,)
        Day of death as practised, ``DAYS`` for those that live.
    death_cause : numpy.ndarray of int, shape (hive,)
        Position in ``CAUSES``; -1 for those that live.
    disaster : list of str
        ``"bear"``, ``"flood"`` or ``""``.
    is_sold : numpy.ndarray of bool, shape (hive,)
        Sold and moved away in November.
    """

    year: int
    apiary: Ints
    colony_id: list[str]
    established_year: Ints
    autumn: Autumn
    practice: Practice
    calendar: Calendar
    conditions: Conditions
    bare: Envelope
    dressed: Envelope
    course: Course
    death_day: Ints
    death_cause: Ints
    disaster: list[str]
    is_sold: Bools

    @property
    def first_day(self) -> dt.date:
        """1 October of the winter's year."""
        return dt.date(self.year, 10, 1)

    @property
    def is_counted(self) -> Bools:
        """Neither lost to a disaster nor moved away: in the analysed population."""
        return ~self.is_sold & np.array([d == "" for d in self.disaster])


def run_winters(world: World, weather: Weather) -> list[Winter]:
    """Run all winters; a hive whose colony is lost or sold gets another by the next autumn."""
    winters: list[Winter] = []
    for year in world.extent.winter_years:
        winters.append(_run_winter(world, weather, year, winters[-1] if winters else None))
    return winters


def _run_winter(world: World, weather: Weather, year: int, before: Winter | None) -> Winter:
    if before is not None:
        world = replace(world, hives=replace(world.hives, apiary=_moved(world, year, before)))
    colony_id, established, vigour = _occupants(world, year, before)
    autumn = _autumn(world, year, established, vigour, before)
    practice = practised(world, year)
    calendar = _calendar(world, year)
    conditions = _conditions(world, weather, year, calendar)
    n = len(world.hives)
    bare = np.zeros(n, dtype=np.int64)
    # As practised, then every level with the opening as it was, then full and closed.
    level = np.stack([practice.level, *(bare + k for k in range(len(LEVELS))), bare + 3])
    is_open = np.stack([practice.is_open] * 5 + [np.zeros(n, dtype=bool)])
    undressed = envelope(world, np.where(world.hives.is_foam, 2, 0))
    dressed = envelope(world, level)
    noise = stream(world.seed, "days", year).standard_normal((DAYS, n))
    course = overwinter(
        autumn,
        conditions,
        bare=undressed,
        dressed=dressed,
        is_open=is_open,
        has_absorber=np.broadcast_to(practice.has_absorber, is_open.shape),
        noise=noise,
    )
    disaster, struck = _disasters(world, year)
    death_day, cause = _deaths(world, course, year)
    is_first = struck < death_day
    rng = stream(world.seed, "sales", year)
    return Winter(
        year=year,
        apiary=world.hives.apiary,
        colony_id=colony_id,
        established_year=established,
        autumn=autumn,
        practice=practice,
        calendar=calendar,
        conditions=conditions,
        bare=undressed,
        dressed=dressed,
        course=course,
        death_day=np.where(is_first, struck, death_day),
        death_cause=np.where(is_first, -1, cause),
        disaster=[d if f else "" for d, f in zip(disaster, is_first, strict=True)],
        is_sold=(rng.random(n) < 0.006) & ~is_first & (death_day > 60),
    )


def _occupants(world: World, year: int, before: Winter | None) -> tuple[list[str], Ints, Floats]:
    """Names, founding years and lasting vigour of the colonies that enter a winter."""
    n = len(world.hives)
    rng = stream(world.seed, "occupants", year)
    numbers = np.zeros(world.extent.members, dtype=int)
    base = []
    for member in world.hives.member:
        numbers[member] += 1
        base.append(f"{world.members.member_id[member]}/{numbers[member]:02d}")
    if before is None:
        return base, year - rng.integers(1, 4, n), rng.standard_normal(n)
    is_new = (before.death_day < DAYS) | before.is_sold
    letter = "abcdefgh"[year - world.extent.winter_years[0]]
    names = [
        f"{b}{letter}" if new else old
        for b, old, new in zip(base, before.colony_id, is_new, strict=True)
    ]
    established = np.where(is_new, year, before.established_year)
    return names, established, np.where(is_new, -0.4, 0.3) + rng.standard_normal(n)


def _moved(world: World, year: int, before: Winter) -> Ints:
    """Move one hive in fifteen of members with two apiaries to the other one."""
    rng = stream(world.seed, "moves", year)
    places = world.apiaries.member
    others = [
        np.flatnonzero((places == places[a]) & (np.arange(len(places)) != a))
        for a in range(len(places))
    ]
    other = np.array([o[0] if len(o) else a for a, o in enumerate(others)])
    moves = rng.random(len(before.apiary)) < 1 / 15
    return np.where(moves, other[before.apiary], before.apiary)


def _autumn(
    world: World, year: int, established: Ints, vigour: Floats, before: Winter | None
) -> Autumn:
    rng = stream(world.seed, "autumn", year)
    n, members, owner = len(world.hives), world.members, world.hives.member
    skill = members.skill[owner]
    treated = stream(world.seed, "treated", year).random(n) < members.autumn_treated_share[owner]
    oxalic = stream(world.seed, "oxalic", year).random(n) < members.oxalic_share[owner]
    shared = stream(world.seed, "year", year)
    load = members.mite_log_load[owner] + shared.normal(0, 0.2) + rng.normal(0, 0.55, n)
    age = rng.integers(0, 3, n)
    if before is not None:
        age = np.where(rng.random(n) < 0.4, 0, before.autumn.queen_age_years.astype(int) + 1)
    age = np.minimum(age, year - established)
    oxalic_day = rng.integers(52, 76, len(world.apiaries))[world.hives.apiary]
    routine = (rng.random(world.extent.members) < 0.25)[owner]
    frames = 9.2 + 0.35 * skill + 0.9 * vigour + rng.normal(0, 1.3, n)
    return Autumn(
        frames=np.clip(frames, 3.0, 15.0),
        stores_kg=np.clip(members.autumn_stores_kg[owner] + rng.normal(0, 2.6, n), 9.0, 38.0),
        mite_log_load=load - np.where(treated, rng.normal(1.1, 0.15, n), 0.0),
        mite_growth_per_d=np.clip(rng.normal(0.018, 0.004, n), 0.0, None),
        is_treated=treated,
        oxalic_log_effect=np.where(oxalic, 1.3, 0.0),
        oxalic_day=oxalic_day,
        queen_age_years=age.astype(float),
        appetite=np.exp(0.06 * shared.standard_normal() + 0.09 * rng.standard_normal(n)),
        brood_start_d=112 + rng.normal(0, 8, n),
        emergency_feed_kg=np.where(rng.random(n) < 0.35 + 0.2 * np.tanh(skill), 2.5, 0.0),
        routine_feed_kg=np.where(routine, 1.0, 0.0),
    )


def _calendar(world: World, year: int) -> Calendar:
    rng = stream(world.seed, "calendar", year)
    members, member = world.members, world.apiaries.member
    n = len(world.apiaries)
    installed = rng.integers(14, 40, n)
    wraps_first = np.array(members.wraps_when_weighed)[member]
    weighed = np.where(wraps_first, installed + rng.integers(1, 6, n), rng.integers(0, 12, n))
    has_midwinter = (rng.random(world.extent.members) < 0.45)[member]
    spring_weighed = rng.integers(172, 200, n)
    by_apiary = Calendar(
        inspected=rng.integers(-16, 9, n),
        weighed=weighed,
        installed=installed,
        midwinter=np.where(has_midwinter, rng.integers(95, 140, n), -1),
        spring_weighed=spring_weighed,
        removed=spring_weighed + rng.integers(4, 24, n),
        checked=rng.integers(188, 206, n),
        spring_inspected=rng.integers(190, 214, n),
    )
    at = world.hives.apiary
    return Calendar(*(getattr(by_apiary, name)[at] for name in Calendar.__dataclass_fields__))


def _conditions(world: World, weather: Weather, year: int, calendar: Calendar) -> Conditions:
    rng = stream(world.seed, "conditions", year)
    apiaries, at = world.apiaries, world.hives.apiary
    start = weather.index(dt.date(year, 10, 1))
    day = np.arange(DAYS)[:, None]
    height = apiaries.elevation_m - np.array([s.elevation_m for s in STATIONS])[apiaries.station]
    temperature = weather.mean_c[apiaries.station, start : start + DAYS].T - LAPSE_K_PER_M * height
    temperature = temperature + rng.normal(0, 0.4, temperature.shape)
    shelter = np.array([0.5, 1.0, 1.7])[apiaries.exposure]
    wind = weather.wind_m_s[apiaries.station, start : start + DAYS].T * shelter
    light = 0.5 - 0.5 * np.cos(2 * np.pi * (day + 283) / 365.25)
    return Conditions(
        temperature_c=temperature[:, at],
        wind_m_s=wind[:, at],
        is_set_up=(day >= calendar.installed) & (day < calendar.removed),
        daylight=np.clip((light - 0.35) * 2, 0.0, 1.0),
    )


def _disasters(world: World, year: int) -> tuple[list[str], Ints]:
    """A bear in the second winter and a flood in the last; day ``DAYS`` where none strikes."""
    rng = stream(world.seed, "disasters")
    at, years = world.hives.apiary, world.extent.winter_years
    bear, flood = rng.permutation(len(world.apiaries))[:2]
    name = np.full(len(at), "", dtype=object)
    struck = np.full(len(at), DAYS)
    if year == years[1]:
        hit = (at == bear) & (np.arange(len(at)) % 2 == 0)
        name[hit], struck[hit] = "bear", 47
    if year == years[-1]:
        hit = (at == flood) & (np.arange(len(at)) % 2 == 0)
        name[hit], struck[hit] = "flood", 171
    return [str(x) for x in name], struck


def _deaths(world: World, course: Course, year: int) -> tuple[Ints, Ints]:
    """Day and cause of death as practised, from one exponential draw a colony-winter."""
    rng = stream(world.seed, "deaths", year)
    n = course.hazard.shape[-1]
    threshold = rng.exponential(1.0, n)
    passed = course.cumulative_hazard[:, 0] > threshold
    day = np.where(passed.any(axis=0), passed.argmax(axis=0), DAYS)
    on_day = course.hazard[:, np.minimum(day, DAYS - 1), 0, np.arange(n)]
    share = on_day.cumsum(axis=0) / on_day.sum(axis=0)
    cause = np.minimum((share < rng.random(n)).sum(axis=0), len(CAUSES) - 1)
    return day, np.where(day < DAYS, cause, -1)
