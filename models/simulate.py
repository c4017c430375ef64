"""Simulated pools with a known truth: members, bees and figures here are invented.

The process is written on its own, not through the model's code: a member's skill moves what
they build, how they treat mites and how their colonies fare, so that the raw contrast can be
made clearly wrong. The truth is an average of potential outcomes over the very units that are
simulated, from the same random numbers under every level.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from scipy import stats

from models.simulate_mites import Treatment, count_mites, treat
from models.vocabulary import LEVELS, OUTCOMES, STORES, STRENGTH, SURVIVAL

REFERENCE_DAYS = 177.0


@dataclass(frozen=True, slots=True)
class Effect:
    """What each level does, against none: logit survival, log kilograms, log frames."""

    survival: tuple[float, float, float, float] = (0.0, 0.25, 0.45, 0.8)
    stores: tuple[float, float, float, float] = (0.0, -0.06, -0.10, -0.20)
    strength: tuple[float, float, float, float] = (0.0, 0.05, 0.09, 0.18)


NO_EFFECT = Effect((0.0,) * 4, (0.0,) * 4, (0.0,) * 4)
STRONG_EFFECT = Effect((0.0, 0.5, 0.9, 1.6), (0.0, -0.12, -0.2, -0.4), (0.0, 0.1, 0.2, 0.35))


@dataclass(frozen=True, slots=True)
class Scenario:
    """What kind of pool to simulate.

    Attributes
    ----------
    confounding : float
        0: skill has nothing to do with insulation. 1: skilled members insulate much more and
        treat mites better.
    is_linked : bool
        False: every member uses one level only, so that no record links two levels.
    absent_levels : frozenset of str
        Levels nobody uses.
    absent_parts : frozenset of str
        Outcomes, or ``mites``, that nobody records.
    missing : dict of str to float
        Share of units without each of: stores use, survival, spring strength, mites,
        autumn strength, queen age, cold.
    treatments : tuple of Treatment
        What members use, one most of the time; without any, a treatment has neither name nor day.
    regrowth : float
        Log load per 30 days longer between treatment and reference date, of named treatments.
    """

    n_members: int = 20
    apiaries_per_member: int = 2
    colonies_per_apiary: int = 6
    n_winters: int = 2
    effect: Effect = field(default_factory=Effect)
    confounding: float = 0.0
    is_linked: bool = True
    absent_levels: frozenset[str] = frozenset()
    absent_parts: frozenset[str] = frozenset()
    missing: dict[str, float] = field(
        default_factory=lambda: {
            STORES: 0.15,
            SURVIVAL: 0.03,
            STRENGTH: 0.1,
            "mites": 0.4,
            "autumn strength": 0.1,
            "queen age": 0.2,
            "cold": 0.0,
        }
    )
    treatments: tuple[Treatment, ...] = ()
    regrowth: float = 0.0


@dataclass(frozen=True, slots=True)
class SimulatedPool:
    """Tables as the stages would write them, and the truth behind them.

    Attributes
    ----------
    colony_winters, mite_samples : polars.DataFrame
        In the contracts' schema.
    truth : polars.DataFrame
        outcome, contrast, measure, value: against none, positive when insulation helps.
    level_truth : polars.DataFrame
        outcome, level, value: every unit at that level, its own opening kept.
    """

    colony_winters: pl.DataFrame
    mite_samples: pl.DataFrame
    truth: pl.DataFrame
    level_truth: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _Units:
    """Latent state of every colony-winter."""

    frame: pl.DataFrame
    level: np.ndarray
    opening: np.ndarray
    treated: np.ndarray
    ingredient: list[str | None]
    treated_before: np.ndarray  # days before the reference date; NaN where not written down
    load: np.ndarray
    cold: np.ndarray
    autumn_frames: np.ndarray
    queen_age: np.ndarray
    linear: dict[str, np.ndarray]  # by outcome, level and opening left out


def _expit(x: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(-x))


def _draw_units(scenario: Scenario, rng: np.random.Generator, seed: int) -> _Units:
    n_m, n_w = scenario.n_members, scenario.n_winters
    n_a = n_m * scenario.apiaries_per_member
    slots = n_a * scenario.colonies_per_apiary
    slot_apiary = np.repeat(np.arange(n_a), scenario.colonies_per_apiary)
    winter = np.tile(np.arange(n_w), slots)
    slot = np.repeat(np.arange(slots), n_w)
    apiary = slot_apiary[slot]
    member = apiary // scenario.apiaries_per_member
    n = len(slot)

    skill = rng.normal(size=n_m)
    taste = scenario.confounding * 1.1 * skill + rng.normal(0.0, 0.5, n_m)
    wish = taste[member] + rng.normal(0.0, 0.9, n) * (1.0 if scenario.is_linked else 0.0)
    present = [k for k, name in enumerate(LEVELS) if name not in scenario.absent_levels]
    cuts = np.quantile(wish, np.linspace(0.0, 1.0, len(present) + 1)[1:-1])
    if not scenario.is_linked:  # cut between members, never within one
        cuts = np.quantile(taste, np.linspace(0.0, 1.0, len(present) + 1)[1:-1])
    level = np.array(present)[np.searchsorted(cuts, wish)]
    opening = (rng.random(n) < _expit(0.2 - 0.25 * level + 0.4 * rng.normal(size=n_m)[member])) * 1
    treated = rng.random(n) < _expit(0.8 + 1.5 * scenario.confounding * skill[member])
    ingredient, treated_before, lowered = treat(
        scenario.treatments, scenario.regrowth, member, apiary, treated, seed
    )
    load = (
        np.log(2.2)
        + lowered
        - 0.3 * scenario.confounding * skill[member]
        + rng.normal(0.0, 0.25, n_m)[member]
        + rng.normal(0.0, 0.25, n_w)[winter]
        + rng.normal(0.0, 0.6, n)
    )
    cold = 12.0 + rng.normal(0.0, 1.5, n_a)[apiary] + rng.normal(0.0, 1.0, n_w)[winter]
    elevation = 250.0 + 80.0 * rng.normal(size=n_a)
    wind = rng.integers(0, 3, n_a)
    autumn = np.clip(8.0 + 1.6 * rng.normal(size=n) + 0.4 * skill[member], 2.0, 16.0)
    queen = rng.integers(0, 3, n).astype(float)

    cold_z, autumn_z = (cold - 12.0) / 1.8, (autumn - 8.0) / 1.6
    # skill, group, winter, cold, mites, autumn strength, queen age
    size = {
        SURVIVAL: (1.1, 0.6, 0.35, 0.4, -0.25, -0.8, 0.35, -0.2),
        STORES: (2.55, -0.06, 0.08, 0.1, 0.08, 0.02, 0.05, 0.0),
        STRENGTH: (1.75, 0.08, 0.12, 0.1, -0.04, -0.12, 0.12, -0.05),
    }
    linear = {}
    for outcome, (start, by_skill, group, by_winter, cold_, mites, strong, old) in size.items():
        yard = rng.normal(0.0, group, (n_a, n_w))
        linear[outcome] = (
            start
            + scenario.confounding * by_skill * skill[member]
            + rng.normal(0.0, group, n_m)[member]
            + rng.normal(0.0, group, n_a)[apiary]
            + yard[apiary, winter]
            + rng.normal(0.0, by_winter, n_w)[winter]
            + rng.normal(0.0, 0.4 * group, slots)[slot]
            + cold_ * cold_z
            + mites * (load - np.log(2.0))
            + strong * autumn_z
            + old * queen
        )
    frame = pl.DataFrame(
        {
            "slot": slot,
            "winter": 2022 + winter,
            "apiary_id": [f"A{a:03d}" for a in apiary],
            "member_id": [f"M{m:03d}" for m in member],
            "wind_exposure": np.array(["sheltered", "moderate", "exposed"])[wind[apiary]],
            "elevation_m": elevation[apiary],
        }
    )
    return _Units(
        frame,
        level,
        opening,
        treated,
        ingredient,
        treated_before,
        load,
        cold,
        autumn,
        queen,
        linear,
    )


OPENING_EFFECT = {SURVIVAL: -0.2, STORES: 0.05, STRENGTH: -0.03}
FRAMES_CV = 0.30
STORES_CV = 0.16


def _eta(scenario: Scenario, units: _Units, outcome: str, level: np.ndarray, opening: np.ndarray):
    by_level = {
        SURVIVAL: scenario.effect.survival,
        STORES: scenario.effect.stores,
        STRENGTH: scenario.effect.strength,
    }[outcome]
    return units.linear[outcome] + np.array(by_level)[level] + OPENING_EFFECT[outcome] * opening


def _expected(scenario: Scenario, units: _Units, level: np.ndarray, opening: np.ndarray) -> dict:
    """Each unit's expected outcome at a level and opening: kg, chance, frames (dead is 0)."""
    alive = _expit(_eta(scenario, units, SURVIVAL, level, opening))
    frames = np.exp(_eta(scenario, units, STRENGTH, level, opening))
    kg = np.exp(_eta(scenario, units, STORES, level, opening))
    return {STORES: kg, SURVIVAL: alive, STRENGTH: alive * frames}


def _contrast_rows(outcome: str, contrast: str, base: float, other: float) -> list[tuple]:
    if outcome == STORES:
        saved = base - other
        return [
            (outcome, contrast, "difference", saved),
            (outcome, contrast, "percent", 100.0 * saved / base),
        ]
    if outcome == SURVIVAL:
        return [
            (outcome, contrast, "difference", 100.0 * (other - base)),
            (outcome, contrast, "ratio", other / base),
        ]
    return [(outcome, contrast, "difference", other - base)]


def _truth(scenario: Scenario, units: _Units) -> tuple[pl.DataFrame, pl.DataFrame]:
    def pool_mean(level: int, opening: np.ndarray) -> dict[str, float]:
        at = np.full(len(units.level), level)
        means = _expected(scenario, units, at, opening)
        return {outcome: float(values.mean()) for outcome, values in means.items()}

    own = [pool_mean(k, units.opening) for k in range(len(LEVELS))]
    shut, wide = np.zeros(len(units.level)), np.ones(len(units.level))
    is_none = units.level == 0
    open_share = float(units.opening[is_none].mean()) if is_none.any() else 0.0
    none_shut, none_wide, full_shut = pool_mean(0, shut), pool_mean(0, wide), pool_mean(3, shut)
    rows, means = [], []
    for outcome in OUTCOMES:
        for k, name in enumerate(LEVELS):
            scale = 100.0 if outcome == SURVIVAL else 1.0
            means.append((outcome, name, scale * own[k][outcome]))
            if k:
                rows += _contrast_rows(outcome, f"{name} vs none", own[0][outcome], own[k][outcome])
        practised = (1 - open_share) * none_shut[outcome] + open_share * none_wide[outcome]
        rows += _contrast_rows(outcome, "full closed vs none", practised, full_shut[outcome])
    truth = pl.DataFrame(rows, schema=["outcome", "contrast", "measure", "value"], orient="row")
    return truth, pl.DataFrame(means, schema=["outcome", "level", "value"], orient="row")


def _masked(values: np.ndarray, is_known: np.ndarray) -> list:
    return [v if k else None for v, k in zip(values.tolist(), is_known, strict=True)]


def simulate_pool(scenario: Scenario, seed: int) -> SimulatedPool:
    """Simulate one association's records and what insulation truly does there.

    Parameters
    ----------
    scenario : Scenario
    seed : int

    Returns
    -------
    SimulatedPool
    """
    rng = np.random.default_rng(seed)
    units = _draw_units(scenario, rng, seed)
    n = len(units.level)
    alive = rng.random(n) < _expit(_eta(scenario, units, SURVIVAL, units.level, units.opening))
    slot, winter = units.frame["slot"].to_list(), units.frame["winter"].to_list()
    generation = np.zeros(n, dtype=int)  # a lost colony's hive is filled with a new colony
    for i in range(1, n):
        if slot[i] == slot[i - 1]:
            generation[i] = generation[i - 1] + (not alive[i - 1])
    colony = [f"C{s:04d}{'abcdefgh'[g]}" for s, g in zip(slot, generation, strict=True)]

    window = rng.normal(REFERENCE_DAYS, 12.0, n)
    window = np.where(alive, window, rng.uniform(60.0, 150.0, n))
    method_sd = rng.choice([0.9, 1.8], n)
    mean = np.exp(_eta(scenario, units, STORES, units.level, units.opening))
    use = mean * (window / REFERENCE_DAYS) ** 1.1 * rng.normal(1.0, STORES_CV, n)
    use = use + method_sd * rng.normal(size=n)
    mean_frames = np.exp(_eta(scenario, units, STRENGTH, units.level, units.opening))
    frames_sd = np.full(n, 0.6)
    place = stats.norm.cdf(rng.normal(size=n))  # one draw each, whatever the distribution
    frames = mean_frames * stats.gamma.ppf(place, FRAMES_CV**-2, scale=FRAMES_CV**2)
    frames = frames + frames_sd * rng.normal(size=n)
    frames = np.maximum(np.round(4.0 * frames) / 4.0, 0.0)
    autumn = np.maximum(units.autumn_frames + 0.7 * rng.normal(size=n), 1.0)

    def known(what: str) -> np.ndarray:
        share = 1.0 if what in scenario.absent_parts else scenario.missing.get(what, 0.0)
        return rng.random(n) >= share

    has_stores = known(STORES) & (alive | (rng.random(n) < 0.6))
    has_survival, has_frames = known(SURVIVAL), known(STRENGTH)
    has_autumn, has_queen, has_cold = known("autumn strength"), known("queen age"), known("cold")
    has_frames &= has_survival & alive
    none = [None] * n
    colony_winters = pl.DataFrame(
        {
            "colony_id": colony,
            "winter": winter,
            "apiary_id": units.frame["apiary_id"],
            "member_id": units.frame["member_id"],
            "exclusion_reason": pl.Series(none, dtype=pl.String),
            "level": [LEVELS[k] for k in units.level],
            "top_opening": ["open" if v else "closed" for v in units.opening],
            "assignment": ["chosen"] * n,
            "wind_exposure": units.frame["wind_exposure"],
            "elevation_m": units.frame["elevation_m"],
            "queen_age_years": _masked(units.queen_age, has_queen),
            "autumn_strength_frames": _masked(autumn, has_autumn),
            "autumn_strength_sd_frames": _masked(np.full(n, 0.7), has_autumn),
            "autumn_stores_kg": _masked(rng.normal(24.0, 3.0, n), has_stores),
            "was_treated": units.treated,
            "treatment_ingredient": pl.Series(units.ingredient, dtype=pl.String),
            "treated_days_before_reference": pl.Series(units.treated_before).fill_nan(None),
            "cold_kd_per_day": _masked(units.cold, has_cold),
            "window_cold_kd_per_day": _masked(units.cold, has_cold),
            "window_days": _masked(np.round(window), has_stores),
            "stores_use_kg": _masked(use, has_stores),
            "stores_method_sd_kg": _masked(method_sd, has_stores),
            "is_alive": _masked(alive, has_survival),
            "is_disaster": [False] * n,
            "spring_strength_frames": _masked(frames, has_frames),
            "spring_strength_sd_frames": _masked(frames_sd, has_frames),
        }
    ).sort("colony_id", "winter")
    truth, level_truth = _truth(scenario, units)
    share = 1.0 if "mites" in scenario.absent_parts else scenario.missing.get("mites", 0.0)
    named = units.frame.with_columns(colony_id=pl.Series(colony))
    samples = count_mites(named, units.load, units.treated, units.treated_before, share, rng)
    return SimulatedPool(colony_winters, samples, truth, level_truth)
