"""The invented association: its members, apiaries and hives.

Nothing here exists: codes stand for people, the places are made up, and the
coordinates lie in mid-ocean. Members differ in a hidden skill, and skill drives
at once how they insulate, how they treat mites and how they feed. That is what
makes a naive comparison of set-ups wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.extent import Extent, stream
from pipeline.demo.weather import STATIONS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEVELS = ("none", "top", "partial", "full")
STYLES = ("templates", "pounds", "semicolons", "workbook", "log")
"""The ways in which members keep their records."""
LOGGER_STYLES = ("semicolons", "pounds", "templates", "workbook", "log")
"""Whose members get loggers first, so that a small pool has the most unlike exports."""

PLACES = (
    """
Alder Reach, Brask Hollow, Cinder Lea, Dorrow Bank, Eskin Ford, Fennow, Garrel Top, Hobrin,
Ivenmoor, Jarrow Slack, Keldrun, Lorrin Edge, Marrick Low, Nethercombe Fell, Oskerry,
Pellin Wood, Quarn Side, Rassel Beck, Stennock, Tolver Heath, Umberlow, Varrin Bottom,
Wexcombe Rigg, Yarrol, Zennick, Ashgrove Law, Burrish, Coldwell Nab, Drummle, Elvet Scar,
Farrow Gill, Grindle, Hasker Mere, Inglebar, Jessop Cleugh, Kirrin Steps, Lannow, Mossgate,
Norrel, Ostwick Haugh, Penshaw Rake, Rindle, Scarrow, Thornless, Ulverbrook
""".replace("\n", " ")
    .strip()
    .split(", ")
)

REPERTOIRES: tuple[tuple[int, ...], ...] = (
    (0, 1),
    (0, 1, 3),
    (0, 2),
    (0, 1, 3),
    (0, 2, 3),
    (0, 3),
    (1, 2, 3),
    (0, 1, 3),
    (2, 3),
    (0, 1, 2, 3),
)
"""Levels that members use, from the least to the most inclined to insulate."""


@dataclass(frozen=True, slots=True)
class Members:
    """One entry a member; all arrays have shape (member,)."""

    member_id: list[str]
    style: list[str]
    skill: Floats
    insulating: Floats
    repertoire: list[tuple[int, ...]]
    opening_share: Floats
    mite_log_load: Floats
    autumn_treated_share: Floats
    oxalic_share: Floats
    mite_method: list[str | None]
    duplicates_washes: list[bool]
    autumn_stores_kg: Floats
    weighing_method: list[str]
    wraps_when_weighed: list[bool]
    foam_mm: Floats
    foam_material: list[str]
    is_randomising: list[bool]
    has_foam_bodies: list[bool]
    has_loggers: list[bool]
    frames_bias: Floats

    def __len__(self) -> int:
        return len(self.member_id)


@dataclass(frozen=True, slots=True)
class Apiaries:
    """One entry an apiary; arrays have shape (apiary,)."""

    apiary_id: list[str]
    member: Ints
    station: Ints
    elevation_m: Floats
    latitude: Floats
    longitude: Floats
    exposure: Ints

    def __len__(self) -> int:
        return len(self.apiary_id)


@dataclass(frozen=True, slots=True)
class Hives:
    """One entry a hive, into which another colony moves when one is lost; shape (hive,)."""

    apiary: Ints
    member: Ints
    inner_length_mm: Floats
    inner_width_mm: Floats
    inner_height_mm: Floats
    wall_mm: Floats
    is_foam: NDArray[np.bool_]
    frames_max: Ints
    empty_kg: Floats

    def __len__(self) -> int:
        return len(self.apiary)


@dataclass(frozen=True, slots=True)
class World:
    """Who takes part, where, with which hives."""

    extent: Extent
    seed: int
    members: Members
    apiaries: Apiaries
    hives: Hives


EXPOSURES = ("sheltered", "moderate", "exposed")


def build_world(extent: Extent, seed: int) -> World:
    """Draw the members, apiaries and hives of one invented association."""
    members = _members(extent, seed)
    apiaries = _apiaries(extent, members, seed)
    return World(extent, seed, members, apiaries, _hives(extent, members, apiaries, seed))


def _members(extent: Extent, seed: int) -> Members:
    rng = stream(seed, "members")
    n = extent.members
    skill = rng.permutation(_scores(n))
    insulating = 0.85 * skill + 0.35 * rng.standard_normal(n)
    rank = np.argsort(np.argsort(insulating))
    repertoire = [REPERTOIRES[int(r * len(REPERTOIRES) / n)] for r in rank]
    order = rng.permutation(n)
    # Records are kept in every style by a few; the templates are the commonest.
    style = [STYLES[int(k) % 7] if int(k) % 7 < len(STYLES) else STYLES[0] for k in order]
    methods: list[str | None] = ["alcohol wash", "alcohol wash", "sugar roll", "sticky board", None]
    counting = [methods[int(k)] for k in rng.permutation(n) % len(methods)]
    weighing = ["scale", "luggage scale", "scale", "luggage scale", "frame estimate"]
    foam = rng.choice(["extruded polystyrene", "expanded polystyrene"], n)
    # Loggers stand at the first members of every style, whatever their skill.
    turn = {m: (style[:m].count(style[m]), LOGGER_STYLES.index(style[m])) for m in range(n)}
    logging = sorted(range(n), key=lambda m: turn[m])[: extent.logger_members]
    return Members(
        member_id=[f"M{m + 1:02d}" for m in range(n)],
        style=style,
        skill=skill,
        insulating=insulating,
        repertoire=repertoire,
        opening_share=rng.beta(1.6, 1.6, n),
        mite_log_load=np.log(2.6) - 0.45 * skill + 0.25 * rng.standard_normal(n),
        autumn_treated_share=1 / (1 + np.exp(-(0.9 + 1.0 * skill))),
        oxalic_share=1 / (1 + np.exp(-(-0.3 + 1.2 * skill))),
        mite_method=counting,
        duplicates_washes=[c == "alcohol wash" and int(m) % 2 == 0 for m, c in enumerate(counting)],
        autumn_stores_kg=30.8 + 1.2 * skill + 0.8 * rng.standard_normal(n),
        weighing_method=[weighing[int(k)] for k in rng.permutation(n) % len(weighing)],
        wraps_when_weighed=[bool(b) for b in rng.random(n) < 0.5],
        foam_mm=np.array([30.0, 40.0, 50.0])[rng.integers(0, 3, n)],
        foam_material=[str(f) for f in foam],
        is_randomising=[bool(b) for b in rng.permutation(n) % 3 == 0],
        has_foam_bodies=[bool(b) for b in rng.permutation(n) % 6 == 0],
        has_loggers=[m in logging for m in range(n)],
        frames_bias=np.exp(0.05 * rng.standard_normal(n)),
    )


def _scores(n: int) -> Floats:
    """Standard normal scores of ``n`` ranks, so that a small pool is confounded too."""
    from scipy.stats import norm

    return np.asarray(norm.ppf((np.arange(n) + 0.5) / n))


def _apiaries(extent: Extent, members: Members, seed: int) -> Apiaries:
    rng = stream(seed, "apiaries")
    n = extent.apiaries
    second = rng.permutation(extent.members)[: n - extent.members]
    member = np.sort(np.concatenate([np.arange(extent.members), second]))
    station = rng.integers(0, len(STATIONS), extent.members)[member]
    above = np.array([s.elevation_m for s in STATIONS])[station]
    lat = np.array([s.latitude for s in STATIONS])[station]
    lon = np.array([s.longitude for s in STATIONS])[station]
    number = np.array([int(np.sum(member[:i] == m)) + 1 for i, m in enumerate(member)])
    place = rng.permutation(len(PLACES))
    ids = [
        f"{members.member_id[m]} {PLACES[place[i]]}"
        if members.style[m] == "templates"
        else f"{members.member_id[m]}-{'AB'[k - 1]}"
        for i, (m, k) in enumerate(zip(member, number, strict=True))
    ]
    return Apiaries(
        apiary_id=ids,
        member=member,
        station=station,
        elevation_m=(above + rng.normal(0, 45, n)).round(),
        latitude=(lat + rng.normal(0, 0.04, n)).round(4),
        longitude=(lon + rng.normal(0, 0.06, n)).round(4),
        exposure=rng.choice(3, n, p=[0.35, 0.4, 0.25]),
    )


def _hives(extent: Extent, members: Members, apiaries: Apiaries, seed: int) -> Hives:
    rng = stream(seed, "hives")
    n, places = extent.hives, len(apiaries)
    weight = rng.uniform(0.7, 1.4, places)
    count = np.floor(weight / weight.sum() * (n - 4 * places)).astype(int) + 4
    count[: n - int(count.sum())] += 1
    apiary = np.repeat(np.arange(places), count)
    member = apiaries.member[apiary]
    foam = np.array(members.has_foam_bodies)[member] & (rng.random(n) < 0.35)
    large = rng.random(extent.members)[member] < 0.6
    return Hives(
        apiary=apiary,
        member=member,
        inner_length_mm=np.where(foam, 450.0, 465.0),
        inner_width_mm=np.full(n, 375.0),
        inner_height_mm=np.where(large, 490.0, 430.0),
        wall_mm=np.where(foam, 40.0, np.where(large, 20.0, 22.0)),
        is_foam=foam,
        frames_max=np.full(n, 20),
        empty_kg=(np.where(foam, 13.0, 19.5) + rng.normal(0, 0.8, n)).round(1),
    )
