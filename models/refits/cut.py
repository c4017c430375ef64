"""Mites from their counts alone: what a colony did may not tell how many mites it had.

In the joint model a colony that died tells of mites that nobody counted, and that rests on the
model of survival being right. Cut, the mite part is fitted alone; some draws of all loads are then
taken as known, one set a fit, and the draws of those fits are put together. What the loads leave
open stays open; what the outcomes would say about them is not heard.

References
----------
Plummer (2015), "Cuts in Bayesian graphical models", Stat. Comput. 25:37-43 (from memory):
multiple imputation of the upstream unknowns samples the cut distribution as the sets grow many.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from models.compiled import compile_model
from models.data import Pool
from models.estimands import ALL, THESE, contrast_draws, flat_draws, pool_means
from models.joint import build_joint_model, build_mite_model
from models.priors import Priors
from models.refits.base import CUT, Budget, Variation, broken_row, estimated_row
from pipeline.progress import Progress
from pipeline.settings import ModelSettings, Settings

SETS: Final = 8  # the spread between sets is then known to a quarter of itself


def cut_variation() -> Variation:
    """The study's own analysis without feedback from outcomes to mite loads."""
    return Variation(CUT, CUT, "mites learnt from their counts alone", is_cut=True)


def _chosen(model: ModelSettings, budget: Budget, n_units: int, seed: int) -> dict[str, Any]:
    return {
        "draws": budget.draws,
        "tune": budget.tune,
        "chains": budget.chains,
        "cores": min(model.cores, budget.chains),
        "seed": seed,
        "target_accept": model.acceptance(n_units),
    }


def load_sets(
    pool: Pool, model: ModelSettings, budget: Budget, progress: Progress, n_sets: int = SETS
) -> np.ndarray:
    """Draw all units' log mite loads from the mite part alone.

    Parameters
    ----------
    pool : Pool
        With mites in the model.
    model : ModelSettings
    budget : Budget
    progress : Progress
    n_sets : int

    Returns
    -------
    numpy.ndarray, shape (set, unit)
        Draws as far apart as the chains allow.
    """
    priors = Priors()
    with progress.task("compiling the mite part"):
        compiled = compile_model(build_mite_model(pool, priors), priors, is_reused=False)
    tree = compiled.sample(_chosen(model, budget, pool.n_units, model.seed), progress)
    loads = flat_draws(tree["posterior"].ds["mite_load"])
    step = len(loads) // n_sets
    return loads[step // 2 :: step][:n_sets]


def cut_rows(
    pool: Pool,
    asked: list[str],
    counts: dict[str, int],
    settings: Settings,
    contrast: str,
    budget: Budget,
    progress: Progress,
) -> tuple[dict[str, dict[str, Any]], dict[str, Any]]:
    """Fit every set of loads and put the answers together.

    Parameters
    ----------
    pool : Pool
        With mites in the model.
    asked : list of str
        Outcomes.
    counts : dict of str to int
        Colony-winters with the outcome recorded.
    settings : Settings
    contrast : str
    budget : Budget
        Of each set.
    progress : Progress

    Returns
    -------
    rows : dict of str to dict
        By outcome, as ``base.ROWS_SCHEMA``.
    told : dict
        Sets, divergences and, by outcome, the spread between the sets' means.
    """
    model, priors = settings.model, Priors()
    sets = load_sets(pool, model, budget, progress)
    answers: dict[str, list[np.ndarray]] = {outcome: [] for outcome in asked}
    divergences = 0
    for number, loads in enumerate(sets):
        with progress.task("compiling the model" if number == 0 else "the next set of loads"):
            built = build_joint_model(pool, priors, given_load=loads)
            compiled = compile_model(built, priors)
        try:
            tree = compiled.sample(
                _chosen(model, budget, pool.n_units, model.seed + number), progress
            )
        except RuntimeError:  # no place to start from
            return {o: broken_row(o, counts[o]) for o in asked}, {"n_sets": len(sets)}
        divergences += int(tree["sample_stats"].ds["diverging"].values.sum())
        means = pool_means(pool, tree["posterior"].ds, seed=model.seed)
        for outcome, draws in answers.items():
            found = contrast_draws(pool, means, outcome, contrast, THESE, ALL)
            draws.append(found["difference"])
    rows = {
        outcome: estimated_row(
            outcome, np.concatenate(draws), budget.chains, counts[outcome], n_fits=len(sets)
        )
        for outcome, draws in answers.items()
    }
    between = {
        outcome: round(float(np.std([own.mean() for own in draws], ddof=1)), 4)
        for outcome, draws in answers.items()
    }
    return rows, {"n_sets": len(sets), "divergences": divergences, "sd_between_sets": between}
