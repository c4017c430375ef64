"""What is expected of a trial's colonies: the gain, how it varies, and how colonies differ.

Everything is in the outcome's own unit, one value for each draw from what is known now: the
fitted posterior, or the priors where there is no fit. Between the link's scale and the unit
stands a first-order expansion at the level full.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from models.data import Pool
from models.estimands import ALL, SURVIVORS, THESE, Setting, flat_draws, pool_means
from models.predictor import layout_of
from models.priors import SPREAD_LOG_SD, SPREAD_MEDIAN, Priors
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.settings import StoresSettings

FIT, PRIORS = "fit", "priors"
POINTS: Final = 100.0  # survival is told in percentage points
_STEP: Final = 0.02  # on the logit scale, for a slope by difference
# Counts of frames by the gaps seen from above, the commonest way: see pipeline/stages/strengths.py
_USUAL_COUNT_ERROR: Final = 0.2
_AT_FULL, _AT_NONE = Setting("full"), Setting("none")


@dataclass(frozen=True, slots=True)
class Expected:
    """One outcome of a trial of full against none; every array has shape (draw,).

    Attributes
    ----------
    outcome : str
    gain : numpy.ndarray
        Mean gain over apiaries and winters like these [kg saved, points, frames].
    apiary_sd, winter_sd : numpy.ndarray
        Spread of the gain between apiaries, and between winters.
    none_sd, full_sd : numpy.ndarray
        Spread between colonies of one apiary and winter, at each level, measurement included.
    prior_sd : numpy.ndarray
        Spread of the gain by the model's prior, whose mean is zero.
    source : {"fit", "priors"}
    """

    outcome: str
    gain: np.ndarray
    apiary_sd: np.ndarray
    winter_sd: np.ndarray
    none_sd: np.ndarray
    full_sd: np.ndarray
    prior_sd: np.ndarray
    source: str


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of levels and spreads on the model's own scales; arrays of shape (draw,).

    Attributes
    ----------
    none, full : dict of str to numpy.ndarray
        By outcome: kg, chance to survive, frames of survivors.
    survival_slope : numpy.ndarray
        What one logit at full does to the pool's chance.
    apiary_sd, winter_sd : dict of str to numpy.ndarray
        Spread of full's effect, link scale.
    between_sd : numpy.ndarray
        Spread of survival between apiary-winters, logit.
    colony_sd : dict of str to numpy.ndarray
        Spread between colonies that the outcome's own noise does not hold (their own effect, and
        mites), link scale.
    cv, frames_cv : numpy.ndarray
        Noise of stores and of frames, as a share of their mean.
    stores_error_kg, frames_error : float
        Of one ledger [kg]; of one count, as a share.
    sources : dict of str to str
        By outcome, ``FIT`` or ``PRIORS``.
    """

    none: dict[str, np.ndarray]
    full: dict[str, np.ndarray]
    survival_slope: np.ndarray
    apiary_sd: dict[str, np.ndarray]
    winter_sd: dict[str, np.ndarray]
    between_sd: np.ndarray
    colony_sd: dict[str, np.ndarray]
    cv: np.ndarray
    frames_cv: np.ndarray
    stores_error_kg: float
    frames_error: float
    sources: dict[str, str]


def draw_spread(scale: float, n_draws: int, rng: np.random.Generator) -> np.ndarray:
    """Draw a spread between groups from its prior; see ``models.priors.spread_prior``."""
    return SPREAD_MEDIAN * scale * np.exp(SPREAD_LOG_SD * rng.normal(size=n_draws))


def known_before(n_draws: int, seed: int, stores: StoresSettings) -> Known:
    """Draw levels and spreads from the priors.

    Parameters
    ----------
    n_draws : int
    seed : int
    stores : StoresSettings
        Two weighings with a platform scale make the ledger's error.
    """
    priors, rng = Priors(), np.random.default_rng(seed)
    none, full, colony_sd, apiary_sd, winter_sd = {}, {}, {}, {}, {}
    load_sd = draw_spread(priors.mites.load_sd, n_draws, rng)
    for outcome, own in priors.outcomes.items():
        middle = rng.normal(own.intercept_mu, own.intercept_sd, n_draws)
        half = rng.normal(0.0, own.level_step_sd, n_draws) / 2.0
        link = (lambda eta: 1.0 / (1.0 + np.exp(-eta))) if outcome == SURVIVAL else np.exp
        none[outcome], full[outcome] = link(middle - half), link(middle + half)
        mites = rng.normal(0.0, own.mite_slope_sd, n_draws) * load_sd
        colony_sd[outcome] = np.hypot(draw_spread(own.colony_sd, n_draws, rng), mites)
        apiary_sd[outcome] = draw_spread(own.apiary_full_sd, n_draws, rng)
        winter_sd[outcome] = draw_spread(own.level_winter_sd, n_draws, rng)
    of_survival = priors.outcomes[SURVIVAL]
    spreads = [draw_spread(of_survival.group_sd, n_draws, rng) ** 2 for _ in range(3)]
    return Known(
        none=none,
        full=full,
        survival_slope=full[SURVIVAL] * (1.0 - full[SURVIVAL]),
        apiary_sd=apiary_sd,
        winter_sd=winter_sd,
        between_sd=np.sqrt(sum(spreads) + of_survival.winter_sd**2),
        colony_sd=colony_sd,
        cv=np.abs(rng.normal(0.0, priors.stores.cv_sd, n_draws)),
        frames_cv=np.abs(rng.normal(0.0, priors.strength.cv_sd, n_draws)),
        stores_error_kg=float(np.sqrt(2.0) * stores.scale_sd_kg),
        frames_error=_USUAL_COUNT_ERROR,
        sources=dict.fromkeys(OUTCOMES, PRIORS),
    )


def _thinned(posterior: xr.Dataset, n_draws: int) -> xr.Dataset:
    per_chain = max(1, n_draws // posterior.sizes["chain"])
    every = max(1, posterior.sizes["draw"] // per_chain)
    return posterior.isel(draw=slice(None, every * per_chain, every))


def _without_own_deviations(pool: Pool, posterior: xr.Dataset) -> xr.Dataset:
    """Take out what full did in single apiaries and winters beside its mean effect."""
    layout = layout_of(pool)
    if "group_effect" not in posterior:
        return posterior
    effect = posterior["group_effect"].copy()
    for grouping in ("level-winter", "full at apiary"):
        if layout.has(grouping):
            places = layout.groups(grouping)
            first = len(layout.coefficients)
            effect[{"group": slice(places.start - first, places.stop - first)}] = 0.0
    return posterior.assign(group_effect=effect)


def _off_its_winter(
    outcome: str, full: np.ndarray, winter_sd: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Widen what full does by what it may have done in the pool's only winter alone.

    With one winter the level's effect holds that winter's own deviation.
    """
    by = np.exp(winter_sd * rng.normal(size=len(full)))
    if outcome != SURVIVAL:
        return np.asarray(full * by)
    odds = full / (1.0 - full) * by
    return np.asarray(odds / (1.0 + odds))


def _shifted(posterior: xr.Dataset, outcome: str, term: str, by: float) -> xr.Dataset:
    coefficient = posterior["coefficient"].copy()
    coefficient.loc[{"outcome": outcome, "term": term}] += by
    return posterior.assign(coefficient=coefficient)


def _count_error(pool: Pool) -> float:
    return float(np.sqrt(np.mean(pool.observed[STRENGTH].error ** 2)))


def known_after(
    pool: Pool, posterior: xr.Dataset, outcomes: list[str], before: Known, n_draws: int, seed: int
) -> Known:
    """Take levels and spreads from a fit, outcome by outcome.

    Parameters
    ----------
    pool : Pool
    posterior : xarray.Dataset, dims (chain, draw, ...)
    outcomes : list of str
        Those whose contrast of full against none the fit has estimated. Spring strength counts
        only beside survival.
    before : Known
        For all else; of at least as many draws.
    n_draws : int
        Taken at even distances from every chain.
    seed : int
    """
    usable = [o for o in outcomes if o != STRENGTH or SURVIVAL in outcomes]
    kept = _thinned(posterior, n_draws)
    plain = _without_own_deviations(pool, kept)
    layout, rng = layout_of(pool), np.random.default_rng(seed)
    means = pool_means(pool, plain, seed=seed)
    n = kept.sizes["chain"] * kept.sizes["draw"]
    cut = _of_first(before, n)
    none, full = dict(cut.none), dict(cut.full)
    apiary_sd, winter_sd, colony_sd = dict(cut.apiary_sd), dict(cut.winter_sd), dict(cut.colony_sd)

    def spread(grouping: str, outcome: str, scale: float) -> np.ndarray:
        if layout.has(grouping):
            return flat_draws(kept["spread"].sel(grouping=grouping, outcome=outcome))
        return draw_spread(scale, n, rng)

    for outcome in usable:
        own, name = Priors().outcomes[outcome], SURVIVORS if outcome == STRENGTH else outcome
        none[outcome] = means.of(name, _AT_NONE, THESE, ALL)
        full[outcome] = means.of(name, _AT_FULL, THESE, ALL)
        apiary_sd[outcome] = spread("full at apiary", outcome, own.apiary_full_sd)
        winter_sd[outcome] = spread("level-winter", outcome, own.level_winter_sd)
        colony_sd[outcome] = spread("colony", outcome, own.colony_sd)
        if not layout.has("level-winter"):
            full[outcome] = _off_its_winter(outcome, full[outcome], winter_sd[outcome], rng)
        if "mite_load" in kept and layout.has("slope of") and "slope of mites" in layout.names:
            slope = flat_draws(kept["coefficient"].sel(outcome=outcome, term="slope of mites"))
            load_sd = flat_draws(kept["mite_load"]).std(axis=1)
            colony_sd[outcome] = np.hypot(colony_sd[outcome], slope * load_sd)
    slope, between = cut.survival_slope, cut.between_sd
    if SURVIVAL in usable:
        moved = pool_means(pool, _shifted(plain, SURVIVAL, "step to full", _STEP), seed=seed)
        at_full = means.of(SURVIVAL, _AT_FULL, THESE, ALL)
        slope = (moved.of(SURVIVAL, _AT_FULL, THESE, ALL) - at_full) / (
            _STEP * (1.0 - float((pool.level >= pool.levels.index("full")).mean()))
        )
        groups = [g for g in ("member", "apiary", "apiary-winter") if layout.has(g)]
        parts = [spread(g, SURVIVAL, 0.0) ** 2 for g in groups]
        winter = Priors().outcomes[SURVIVAL].winter_sd
        between = np.sqrt(sum(parts) + winter**2)
    has_stores, has_strength = STORES in usable, STRENGTH in usable
    return Known(
        none=none,
        full=full,
        survival_slope=slope,
        apiary_sd=apiary_sd,
        winter_sd=winter_sd,
        between_sd=between,
        colony_sd=colony_sd,
        cv=flat_draws(kept["stores_cv"]) if has_stores else cut.cv,
        frames_cv=flat_draws(kept["strength_cv"]) if has_strength else cut.frames_cv,
        stores_error_kg=float(np.sqrt(np.mean(pool.observed[STORES].error ** 2)))
        if has_stores
        else cut.stores_error_kg,
        frames_error=_count_error(pool) if has_strength else cut.frames_error,
        sources={o: FIT if o in usable else PRIORS for o in OUTCOMES},
    )


def _of_first(known: Known, n: int) -> Known:
    """Return the first n draws of everything."""

    def cut(value: object) -> object:
        if isinstance(value, np.ndarray):
            return value[:n]
        if isinstance(value, dict):
            return {key: cut(own) for key, own in value.items()}
        return value

    return Known(**{name: cut(getattr(known, name)) for name in Known.__dataclass_fields__})  # type: ignore[arg-type]


def _stores(known: Known) -> Expected:
    """Stores saved; the ledger's Student-t noise counts by its information.

    Notes
    -----
    The variance of an efficient estimate under Student-t noise of ``ν`` degrees of freedom and
    unit scale is ``(ν + 3) / (ν + 1)`` (Lange, Little and Taylor 1989, JASA 84:881-896, from
    memory).
    """
    nu = Priors().stores.degrees_of_freedom
    none, full = known.none[STORES], known.full[STORES]

    def noise(mean: np.ndarray) -> np.ndarray:
        ledger = (nu + 3.0) / (nu + 1.0) * ((known.cv * mean) ** 2 + known.stores_error_kg**2)
        return np.sqrt(ledger + (mean * known.colony_sd[STORES]) ** 2)

    return Expected(
        STORES,
        gain=none - full,
        apiary_sd=full * known.apiary_sd[STORES],
        winter_sd=full * known.winter_sd[STORES],
        none_sd=noise(none),
        full_sd=noise(full),
        prior_sd=full * Priors().outcomes[STORES].level_step_sd,
        source=known.sources[STORES],
    )


def _slopes(known: Known) -> tuple[np.ndarray, np.ndarray]:
    """What one logit does to the chance at none and at full."""
    none, full = known.none[SURVIVAL], known.full[SURVIVAL]
    at_full = known.survival_slope
    return at_full * none * (1.0 - none) / (full * (1.0 - full)), at_full


def _survival(known: Known) -> Expected:
    """Points of survival; the yes-or-no noise is that inside one apiary and winter."""
    none, full = known.none[SURVIVAL], known.full[SURVIVAL]
    at_none, at_full = _slopes(known)

    def noise(chance: np.ndarray, slope: np.ndarray) -> np.ndarray:
        every = chance * (1.0 - chance)
        return POINTS * np.sqrt(np.maximum(every - (slope * known.between_sd) ** 2, 0.25 * every))

    return Expected(
        SURVIVAL,
        gain=POINTS * (full - none),
        apiary_sd=POINTS * at_full * known.apiary_sd[SURVIVAL],
        winter_sd=POINTS * at_full * known.winter_sd[SURVIVAL],
        none_sd=noise(none, at_none),
        full_sd=noise(full, at_full),
        prior_sd=POINTS * at_full * Priors().outcomes[SURVIVAL].level_step_sd,
        source=known.sources[SURVIVAL],
    )


def _strength(known: Known) -> Expected:
    """Frames in spring, a dead colony as zero."""
    square = 1.0 + known.frames_cv**2 + known.frames_error**2  # mean square, of the mean's square
    square = square * np.exp(known.colony_sd[STRENGTH] ** 2)
    of_survival, of_strength = (Priors().outcomes[o].level_step_sd for o in (SURVIVAL, STRENGTH))
    chance, frames = (known.none[SURVIVAL], known.full[SURVIVAL]), (
        known.none[STRENGTH],
        known.full[STRENGTH],
    )  # fmt: skip
    slope = _slopes(known)

    def noise(k: int) -> np.ndarray:
        p, m = chance[k], frames[k]
        every = m**2 * (p * square - p**2)
        return np.sqrt(np.maximum(every - (m * slope[k] * known.between_sd) ** 2, 0.25 * every))

    def both(survival: np.ndarray | float, strength: np.ndarray | float) -> np.ndarray:
        alive = frames[1] * slope[1] * survival
        return np.hypot(alive, chance[1] * frames[1] * strength)

    is_fit = known.sources[SURVIVAL] == known.sources[STRENGTH] == FIT
    return Expected(
        STRENGTH,
        gain=chance[1] * frames[1] - chance[0] * frames[0],
        apiary_sd=both(known.apiary_sd[SURVIVAL], known.apiary_sd[STRENGTH]),
        winter_sd=both(known.winter_sd[SURVIVAL], known.winter_sd[STRENGTH]),
        none_sd=noise(0),
        full_sd=noise(1),
        prior_sd=both(of_survival, of_strength),
        source=FIT if is_fit else PRIORS,
    )


def expected_of(known: Known) -> dict[str, Expected]:
    """Turn what is known into what a trial's outcomes will be like, by outcome."""
    return {STORES: _stores(known), SURVIVAL: _survival(known), STRENGTH: _strength(known)}
