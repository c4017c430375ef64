"""The tables of a fit: estimands.csv and level_means.csv, every row there whatever its status."""

from __future__ import annotations

import numpy as np
import polars as pl
import xarray as xr

from models.data import Pool
from models.estimands import (
    ALL,
    HORIZONS,
    SURVIVORS,
    THESE,
    THIRDS,
    PoolMeans,
    Setting,
    contrast_draws,
    flat_draws,
    open_share_of_none,
    subgroup_weights,
)
from models.identify import CONTRASTS, FULL_CLOSED, Verdict
from models.priors import Priors
from models.vocabulary import LEVELS, ONLY_LIVING, OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.settings import Settings

MEASURES = {
    STORES: {"difference": "kg", "percent": "%"},
    SURVIVAL: {"difference": "points", "ratio": "ratio"},
    STRENGTH: {"difference": "frames"},
}
UNITS = {STORES: "kg", SURVIVAL: "%", STRENGTH: "frames", SURVIVORS: "frames"}
QUANTILES = {
    "q2.5": 0.025,
    "q5.5": 0.055,
    "q25": 0.25,
    "q50": 0.5,
    "q75": 0.75,
    "q94.5": 0.945,
    "q97.5": 0.975,
}
ESTIMATED, NOT_CONVERGED, NOT_POSSIBLE = "estimated", "not converged", "cannot be estimated"
CARRIED = 0.8  # above this ratio of posterior to prior spread the prior speaks, not the records
Key = tuple[str, str, str, str, str]  # outcome, contrast, measure, subgroup, horizon


def _summary(draws: np.ndarray | None) -> dict[str, float | None]:
    if draws is None:
        return dict.fromkeys(("mean", "sd", *QUANTILES))
    limits = np.quantile(draws, list(QUANTILES.values()))
    return {
        "mean": float(draws.mean()),
        "sd": float(draws.std(ddof=1)),
        **dict(zip(QUANTILES, map(float, limits), strict=True)),
    }


def _month_day(text: str) -> str:
    names = "January February March April May June July August September October November December"
    month, day = text.split("-")
    return f"{int(day)} {names.split()[int(month) - 1]}"


def _winter_words(winters: tuple[int, ...]) -> str:
    """Name winters by both their years, as the report does."""
    names = [f"{w}/{(w + 1) % 100:02d}" for w in winters]
    if len(names) == 1:
        return f"winter {names[0]}"
    joiner = " and " if len(names) == 2 else " to "
    return f"winters {names[0]}{joiner}{names[-1]}"


def _stores_words(pool: Pool, settings: Settings) -> str:
    """Say over which days stores use counts, and whether the dead are in it at all."""
    start, end = settings.winter.autumn_weighing_near, settings.winter.spring_weighing_near
    alive = pool.observed[SURVIVAL]
    dead = alive.rows[alive.value == 0.0]
    days = f"stores over {pool.reference_days:.0f} days ({_month_day(start)} to {_month_day(end)})"
    if len(dead) and not np.isin(pool.observed[STORES].rows, dead).any():
        return f"{days} as if none died, {ONLY_LIVING}"
    return f"{days} as if none died"


def describe_population(
    pool: Pool, settings: Settings, outcome: str, contrast: str, subgroup: str, horizon: str
) -> str:
    """Say whom an estimand is about: units, winter's length, opening, disasters.

    Returns
    -------
    str
        Empty when no unit is analysed. The winter's length, and whether ledgers of colonies that
        died are in it, are told of stores use only.
    """
    if not pool.n_units:
        return ""
    winters = _winter_words(pool.winters)
    n = f"{pool.n_units:,}".replace(",", "\u202f")
    units = f"All {n} colony-winters" if pool.n_units > 1 else "The only colony-winter"
    whom = f"{units} analysed ({winters})"
    if subgroup != ALL:
        whom = f"The colony-winters in the {subgroup.removeprefix('cold: ')} by cold ({winters})"
    if horizon != THESE:
        whom += ", in one winter not yet seen, with the cold and mites of those seen"
    else:
        whom += ", each with its own cold, mites, strength and yard"
    if contrast == FULL_CLOSED:
        share = open_share_of_none(pool) if {"none", "full"} <= set(pool.levels) else 0.0
        opening = (
            "tops closed under full insulation, and open as often under none as uninsulated "
            f"colonies here had them ({100 * share:.0f} %)"
        )
    else:
        opening = "the top opening as each colony has it"
    clauses = [whom, *([_stores_words(pool, settings)] if outcome == STORES else [])]
    return "; ".join([*clauses, opening, "losses to disaster not counted."])


def _carried(pool: Pool, posterior: xr.Dataset, outcome: str, level: str) -> str:
    """Say why a subgroup's number would be the prior's, or nothing."""
    needed = [SURVIVAL, STRENGTH] if outcome == STRENGTH else [outcome]
    ratios = []
    for name in needed:
        draws = flat_draws(posterior["coefficient"].sel(outcome=name, term=f"cold at {level}"))
        ratios.append(float(draws.std()) / Priors().outcomes[name].level_cold_sd)
    if max(ratios) > CARRIED:
        return (
            "the records hardly tell how the effect changes with cold: what is known after them "
            f"is {100 * max(ratios):.0f} % as wide as what was assumed before"
        )
    return ""


def _subgroup_verdict(
    pool: Pool, posterior: xr.Dataset, outcome: str, contrast: str, subgroup: str, minimum: int
) -> Verdict:
    names, weights = subgroup_weights(pool)
    if subgroup not in names:
        return Verdict(
            False,
            "Cannot be estimated from these records, because cold hardly differs between "
            "colony-winters or is not recorded.",
        )
    level = "full" if contrast == FULL_CLOSED else contrast.removesuffix(" vs none")
    inside = weights[:, names.index(subgroup)] > 0
    rows = pool.observed[outcome].rows
    why = ""
    for name in (level, "none"):
        n = int((inside[rows] & (pool.level[rows] == pool.levels.index(name))).sum())
        if n < minimum:
            why = f"fewer than {minimum} colony-winters at level {name} stood in this third"
    why = why or _carried(pool, posterior, outcome, level)
    return Verdict(not why, why and f"Cannot be estimated from these records, because {why}.")


def estimand_verdicts(
    pool: Pool,
    posterior: xr.Dataset | None,
    verdicts: dict[tuple[str, str], Verdict],
    settings: Settings,
) -> dict[Key, Verdict]:
    """Say of every row of ``estimands.csv`` whether it can be estimated."""
    result: dict[Key, Verdict] = {}
    for outcome in OUTCOMES:
        for contrast in CONTRASTS:
            verdict = verdicts[outcome, contrast]
            for measure in MEASURES[outcome]:
                for horizon in HORIZONS:
                    result[outcome, contrast, measure, ALL, horizon] = verdict
                for third in THIRDS:
                    own = verdict
                    if verdict.is_identified and posterior is not None:
                        own = _subgroup_verdict(
                            pool,
                            posterior,
                            outcome,
                            contrast,
                            third,
                            settings.model.minimum_colonies,
                        )
                    result[outcome, contrast, measure, third, THESE] = own
    return result


def estimand_draws(
    pool: Pool, means: PoolMeans, verdicts: dict[Key, Verdict]
) -> dict[Key, np.ndarray]:
    """Draws of every estimand that can be estimated, shape (draw,)."""
    made: dict[Key, np.ndarray] = {}
    for key, verdict in verdicts.items():
        outcome, contrast, measure, subgroup, horizon = key
        if verdict.is_identified:
            made[key] = contrast_draws(pool, means, outcome, contrast, horizon, subgroup)[measure]
    return made


def _informing(pool: Pool, outcome: str, subgroup: str) -> tuple[int, int]:
    rows = pool.observed[outcome].rows
    names, weights = subgroup_weights(pool)
    if subgroup in names:
        rows = rows[weights[rows, names.index(subgroup)] > 0]
    elif subgroup != ALL:
        rows = rows[:0]
    return len(rows), len(np.unique(pool.member[rows]))


def estimands_table(
    pool: Pool,
    draws: dict[Key, np.ndarray],
    verdicts: dict[Key, Verdict],
    settings: Settings,
    *,
    failures: list[str],
) -> pl.DataFrame:
    """Make the rows of ``estimands.csv``.

    Parameters
    ----------
    pool : Pool
    draws : dict of Key to numpy.ndarray, shape (draw,)
    verdicts : dict of Key to Verdict
    settings : Settings
    failures : list of str
        Gates that did not pass: with any, no number is given.

    Returns
    -------
    polars.DataFrame
        ``n_units`` and ``n_members`` count the colony-winters with the outcome recorded (in the
        subgroup) and their members: the records that inform the number.
    """
    rows = []
    for key, verdict in verdicts.items():
        outcome, contrast, measure, subgroup, horizon = key
        status, reason, shown = ESTIMATED, "", draws.get(key)
        if not verdict.is_identified:
            status, reason, shown = NOT_POSSIBLE, verdict.reason, None
        elif failures:
            more = f" and {len(failures) - 3} more" if len(failures) > 3 else ""
            status, shown = NOT_CONVERGED, None
            reason = f"The sampler did not pass its gates: {'; '.join(failures[:3])}{more}."
        n_units, n_members = _informing(pool, outcome, subgroup)
        benefit = None
        if shown is not None:
            benefit = float((shown > (1.0 if measure == "ratio" else 0.0)).mean())
        rows.append(
            {
                "outcome": outcome,
                "contrast": contrast,
                "measure": measure,
                "unit": MEASURES[outcome][measure],
                "subgroup": subgroup,
                "horizon": horizon,
                "population": describe_population(
                    pool, settings, outcome, contrast, subgroup, horizon
                ),
                **_summary(shown),
                "p_benefit": benefit,
                "n_units": n_units,
                "n_members": n_members,
                "status": status,
                "reason": reason,
            }
        )
    numbers = ("mean", "sd", *QUANTILES, "p_benefit")
    return pl.DataFrame(
        rows, schema_overrides=dict.fromkeys(numbers, pl.Float64), infer_schema_length=None
    )


def raw_mean(pool: Pool, outcome: str, level: str) -> tuple[int, float | None]:
    """Count and average what was recorded at a level, nothing adjusted.

    Returns
    -------
    n : int
        Records behind the mean; for frames, the survivors counted.
    raw : float or None
        kg, % alive, or frames. Frames count a dead colony as zero: the share alive times the mean
        of the survivors counted, because survivors go uncounted and the dead do not.
    """
    counted = STRENGTH if outcome == SURVIVORS else outcome

    def at(name: str) -> np.ndarray:
        if level not in pool.levels:
            return np.zeros(0)
        here = pool.level[pool.observed[name].rows] == pool.levels.index(level)
        return pool.observed[name].value[here]

    own = at(counted)
    if not len(own):
        return 0, None
    scale = 100.0 if outcome == SURVIVAL else 1.0
    if outcome == STRENGTH:
        scale = float(at(SURVIVAL).mean()) if len(at(SURVIVAL)) else float("nan")
    raw = scale * float(own.mean())
    return len(own), raw if np.isfinite(raw) else None


def level_means_table(
    pool: Pool,
    means: PoolMeans | None,
    verdicts: dict[tuple[str, str], Verdict],
    *,
    has_converged: bool,
) -> pl.DataFrame:
    """Make the rows of ``level_means.csv``: raw means beside what the model expects.

    A level's modelled mean is shown only where its contrast against none is identified.
    """
    rows = []
    for outcome in (*OUTCOMES, SURVIVORS):
        judged = STRENGTH if outcome == SURVIVORS else outcome
        compared = {
            level: verdicts[judged, f"{level} vs none"].is_identified for level in LEVELS[1:]
        }
        compared["none"] = any(compared.values())
        for level in LEVELS:
            n_raw, raw = raw_mean(pool, outcome, level)
            shown = None
            if means is not None and has_converged and compared[level]:
                scale = 100.0 if outcome == SURVIVAL else 1.0
                shown = scale * means.of(outcome, Setting(level), THESE, ALL)
            rows.append(
                {
                    "outcome": outcome,
                    "level": level,
                    "unit": UNITS[outcome],
                    "n_raw": n_raw,
                    "raw": raw,
                    **_summary(shown),
                }
            )
    numbers = ("raw", "mean", "sd", *QUANTILES)
    return pl.DataFrame(
        rows, schema_overrides=dict.fromkeys(numbers, pl.Float64), infer_schema_length=None
    )
