"""An invented association whose colonies live day by day: heat, stores, bees and hazards.

Not the model's regression. Each day a cluster loses heat through itself and its hive to the air
outside, burns honey for it, wears out bees, is worn by mites, rears brood from February, and runs
a risk of dying of its mites, of hunger, of being small in the cold, or of its queen. What an
insulation level does is its hive's conductance and nothing else, unless a scenario says so.

The truth is an average of potential outcomes: every colony lives the same weather with the same
mites, vigour and luck under each level. Chance of survival is exp(-accumulated hazard), so that
the average over luck is exact.

References
----------
Heat: honey 12.72 MJ/kg (USDA food table, 1,272 kJ per 100 g); clusters 0.2 to 0.3 W/K per kg of
bees (Southwick 1985, J. Comp. Physiol. B 156:143-149, fig. 4, read in a secondary source); a bare
cedar brood box 2.56 to 2.59 W/K and a foam one 0.91 to 1.31 W/K (Mitchell 2016, Int. J.
Biometeorol. 60:629-638, table 2, secondary). Hazards, wear and build-up are set by hand so
that three to four colonies in five live and use 5 to 14 kg: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from models.vocabulary import LEVELS, STORES, STRENGTH, SURVIVAL

DAYS = 188  # 15 October to 20 April
WEIGHED = 177  # 10 April
MIDWINTER_WEIGHED = 110  # 2 February
BROOD_FROM = 110
HONEY_J_PER_KG = 12.72e6
CLUSTER_W_PER_K_KG = 0.25
KG_PER_FRAME = 0.288  # 2,400 bees of 0.12 g
FIRST_WINTER = 2022


@dataclass(frozen=True, slots=True)
class Association:
    """What kind of association to invent; sizes fix the model's shape.

    Attributes
    ----------
    conductance_w_per_k : tuple of float
        Of a hive at each level.
    damp_per_day : tuple of float
        Hazard that a level adds, for insulation that does harm.
    confounding : float
        0: skill has nothing to do with insulation; 1: skilled members insulate much more.
    mite_confounding : float
        How much members who insulate also keep mites down, beside what ``confounding`` does.
    selection : float
        How far a member's most vigorous colonies get the insulation.
    is_linked : bool
        False: a member uses one level only.
    large_member_apiaries : int
        Apiaries of the first member, who is skilled, when it is larger than the others.
    """

    n_members: int = 12
    apiaries_per_member: int = 2
    colonies_per_apiary: int = 2
    n_winters: int = 2
    conductance_w_per_k: tuple[float, ...] = (2.6, 2.1, 1.6, 1.0)
    opening_w_per_k: float = 0.5
    damp_per_day: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    confounding: float = 0.5
    mite_confounding: float = 0.0
    selection: float = 0.0
    is_linked: bool = True
    large_member_apiaries: int = 0


@dataclass(frozen=True, slots=True)
class World:
    """All that is true before anybody writes anything down; arrays have shape (unit,).

    Attributes
    ----------
    outside_c : numpy.ndarray, shape (apiary, winter, day)
        From 1 October of the winter, 230 days.
    luck : numpy.ndarray
        Accumulated hazard at which a colony dies; exponential.
    """

    association: Association
    member: np.ndarray
    apiary: np.ndarray
    winter: np.ndarray
    apiary_member: np.ndarray
    elevation_m: np.ndarray
    wind: np.ndarray
    outside_c: np.ndarray
    level: np.ndarray
    opening: np.ndarray
    treated: np.ndarray
    load: np.ndarray
    autumn_kg: np.ndarray
    stores_kg: np.ndarray
    appetite: np.ndarray
    frailty: np.ndarray
    build_up: np.ndarray
    queen_age: np.ndarray
    luck: np.ndarray

    @property
    def n_units(self) -> int:
        """Colony-winters."""
        return len(self.level)

    def day(self, unit: int, day: int) -> date:
        """Return the calendar day of a unit's winter; day 0 is 15 October."""
        return date(FIRST_WINTER + int(self.winter[unit]), 10, 15) + timedelta(days=day)


@dataclass(frozen=True, slots=True)
class Lives:
    """How every colony fares at some level; shape (unit, day) at each day's end.

    Attributes
    ----------
    eaten_kg : numpy.ndarray
        Honey burnt so far, as if the colony lived.
    bees_kg : numpy.ndarray
    hazard : numpy.ndarray
        Accumulated; survival to that day has chance exp(-hazard).
    """

    eaten_kg: np.ndarray
    bees_kg: np.ndarray
    hazard: np.ndarray


def _expit(x: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(-np.clip(x, -40.0, 40.0)))


def _weather(n_apiaries: int, n_winters: int, rng: np.random.Generator) -> np.ndarray:
    """Daily mean temperatures: a season, a region's weather, and each place's own offset."""
    day = np.arange(230)
    season = 3.5 - 9.0 * np.cos(2 * np.pi * (day - 107) / 365)
    front = np.zeros((n_winters, len(day)))
    for d in day[1:]:
        front[:, d] = 0.8 * front[:, d - 1] + rng.normal(0.0, 2.4, n_winters)
    year = rng.normal(0.0, 1.0, n_winters)
    place = rng.normal(0.0, 1.5, n_apiaries)
    return season + front[None] + year[None, :, None] + place[:, None, None]


def _choose_levels(
    association: Association, member: np.ndarray, skill: np.ndarray, vigour: np.ndarray, rng
) -> np.ndarray:
    n, n_levels = len(member), len(LEVELS)
    pull = 1.1 * max(association.confounding, association.mite_confounding)
    taste = pull * skill + rng.normal(0.0, 0.4, len(skill))
    if not association.is_linked:
        order = np.argsort(np.argsort(taste))
        return (order * n_levels // len(skill))[member]
    wish = taste[member] + association.selection * vigour + rng.normal(0.0, 1.2, n)
    return np.argsort(np.argsort(wish)) * n_levels // n  # a quarter at each level


def invent(association: Association, seed: int) -> World:
    """Invent members, places, weather and colonies.

    Parameters
    ----------
    association : Association
    seed : int

    Returns
    -------
    World
        Of constant shape for one association: same members, apiaries, winters and units, a
        quarter of them at each level.
    """
    rng = np.random.default_rng([7, seed])
    n_m, n_w = association.n_members, association.n_winters
    per_member = np.full(n_m, association.apiaries_per_member)
    if association.large_member_apiaries:
        per_member[0] = association.large_member_apiaries
    apiary_member = np.repeat(np.arange(n_m), per_member)
    n_a = len(apiary_member)
    apiary = np.repeat(np.arange(n_a), association.colonies_per_apiary * n_w)
    winter = np.tile(np.arange(n_w), n_a * association.colonies_per_apiary)
    member, n = apiary_member[apiary], len(apiary)

    skill = rng.normal(size=n_m)
    if association.large_member_apiaries:
        skill[0] = 1.5
    vigour = rng.normal(size=n)
    level = _choose_levels(association, member, skill, vigour, rng)
    c = association.confounding
    mite_c = c + 2.0 * association.mite_confounding
    treated = rng.random(n) < _expit(0.8 + 1.5 * mite_c * skill[member])
    load = (
        np.log(2.4)
        - 0.8 * treated
        - 0.3 * mite_c * skill[member]
        + rng.normal(0.0, 0.25, n_m)[member]
        + rng.normal(0.0, 0.2, n_w)[winter]
        + rng.normal(0.0, 0.6, n)
    )
    yard = rng.normal(0.0, 0.25, (n_a, n_w))[apiary, winter]
    return World(
        association=association,
        member=member,
        apiary=apiary,
        winter=winter,
        apiary_member=apiary_member,
        elevation_m=250.0 + 80.0 * rng.normal(size=n_a),
        wind=rng.integers(0, 3, n_a),
        outside_c=_weather(n_a, n_w, rng),
        level=level,
        opening=(rng.random(n) < _expit(0.2 - 0.25 * level)) * 1.0,
        treated=treated,
        load=load,
        autumn_kg=np.clip(2.3 + 0.45 * rng.normal(size=n) + 0.1 * c * skill[member], 0.9, 4.2),
        stores_kg=np.clip(19.0 + 3.0 * rng.normal(size=n) + c * skill[member], 9.0, 30.0),
        appetite=np.exp(
            0.12 * rng.normal(size=n) + 0.06 * rng.normal(size=n_m)[member] - 0.03 * c * vigour
        ),
        frailty=np.exp(
            yard
            + 0.4 * rng.normal(size=n_m)[member]
            - 0.6 * c * skill[member]
            - 0.5 * vigour
            + 0.3 * rng.normal(size=n_w)[winter]
        ),
        build_up=np.exp(
            0.1 * vigour + 0.12 * rng.normal(size=n_m)[member] + 0.06 * c * skill[member]
        ),
        queen_age=rng.integers(0, 3, n).astype(float),
        luck=rng.exponential(size=n),
    )


def live(world: World, level: np.ndarray) -> Lives:
    """Let every colony live through its winter at a level.

    Parameters
    ----------
    world : World
    level : numpy.ndarray of int, shape (unit,)

    Returns
    -------
    Lives
    """
    association = world.association
    hive = np.array(association.conductance_w_per_k)[level]
    hive = hive + association.opening_w_per_k * world.opening
    damp = np.array(association.damp_per_day)[level]
    outside = world.outside_c[world.apiary, world.winter][:, 14 : 14 + DAYS]
    mites = np.exp(world.load)
    bees, eaten, hazard = world.autumn_kg.copy(), np.zeros(world.n_units), np.zeros(world.n_units)
    series = np.empty((3, world.n_units, DAYS))
    for day in range(DAYS):
        brood = min(max((day - BROOD_FROM) / 50.0, 0.0), 1.0)
        through = 1.0 / (1.0 / (CLUSTER_W_PER_K_KG * bees) + 1.0 / hive)
        heat = np.maximum(through * (20.0 + 9.0 * brood - outside[:, day]), 1.5 * bees)
        per_kg = heat / bees
        eaten = eaten + world.appetite * heat * 86400.0 / HONEY_J_PER_KG
        left = world.stores_kg - eaten
        wear = 0.0035 + 0.00025 * mites + 0.0012 * np.maximum(per_kg - 3.0, 0.0)
        births = 0.023 * brood * world.build_up * np.clip(1.6 - 0.12 * per_kg, 0.3, 1.5)
        bees = np.clip(bees * (1.0 + births - wear), 0.05, 6.0)
        hazard = hazard + world.frailty * (
            0.0003
            + 0.0001 * mites**1.3
            + 0.0001 * world.queen_age
            + 0.004 * per_kg / 5.0 * _expit((0.9 - bees) / 0.12)
        )
        hazard = hazard + 0.05 * _expit((0.8 - left) / 0.3) + damp
        series[:, :, day] = eaten, bees, hazard
    return Lives(*series)


def truth_of(world: World, contrast: str = "full vs none") -> dict[str, float]:
    """Potential-outcome contrast over the association; positive is a benefit.

    Returns
    -------
    dict of str to float
        Stores saved [kg, if none died], survival [points], spring frames [dead counts 0].
    """

    def means(name: str) -> dict[str, float]:
        lives = live(world, np.full(world.n_units, LEVELS.index(name)))
        alive = np.exp(-lives.hazard[:, -1])
        frames = lives.bees_kg[:, -1] / KG_PER_FRAME
        return {
            STORES: float(lives.eaten_kg[:, WEIGHED].mean()),
            SURVIVAL: 100.0 * float(alive.mean()),
            STRENGTH: float((alive * frames).mean()),
        }

    other, none = means(contrast.removesuffix(" vs none")), means("none")
    return {
        STORES: none[STORES] - other[STORES],
        SURVIVAL: other[SURVIVAL] - none[SURVIVAL],
        STRENGTH: other[STRENGTH] - none[STRENGTH],
    }
