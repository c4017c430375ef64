"""Sample one refit of the joint model with a small budget, and standardise its answer."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from models.compiled import compile_pool
from models.data import Pool
from models.estimands import ALL, THESE, contrast_draws, pool_means
from models.identify import identify_contrasts
from models.predictor import latent_covariates, layout_of
from models.refits.base import (
    Budget,
    Records,
    Variation,
    broken_row,
    estimated_row,
    level_of,
    refused_row,
)
from models.refits.cut import cut_rows
from models.refits.dose import dose_draws, is_dose_pool, typical_conductances
from models.tables import ESTIMATED
from pipeline.progress import Progress
from pipeline.settings import ModelSettings, Settings

NO_MITES = "Mites are not in the model: too few colonies were counted."


def likeness(pool: Pool) -> tuple[Any, ...]:
    """What tells pools whose compiled model may be shared from others; without building it."""
    layout = layout_of(pool)
    groups = tuple((name, len(names)) for name, (_, names) in layout.groupings.items())
    methods = tuple(sorted(set(pool.mite_counts.method.tolist())))
    return (
        pool.n_units,
        pool.outcomes,
        tuple(layout.names),
        groups,
        len(layout.winters),
        latent_covariates(pool)[1],
        pool.has("mites"),
        methods,
        pool.treatments.types,
        pool.treatments.has_timing,
    )


def answer_draws(
    pool: Pool,
    posterior: xr.Dataset,
    contrast: str,
    outcomes: list[str],
    conductances: list[float],
    seed: int,
) -> dict[str, np.ndarray]:
    """Draws of the answer by outcome, chain after chain; of a dose pool between conductances."""
    if is_dose_pool(pool):
        return dose_draws(pool, posterior, conductances)
    means = pool_means(pool, posterior, seed=seed)
    return {
        outcome: contrast_draws(pool, means, outcome, contrast, THESE, ALL)["difference"]
        for outcome in outcomes
    }


def _chosen(model: ModelSettings, budget: Budget, n_units: int, attempt: int) -> dict[str, Any]:
    factor = 2**attempt
    return {
        "draws": budget.draws * factor,
        "tune": budget.tune * factor,
        "chains": budget.chains,
        "cores": min(model.cores, budget.chains),
        "seed": model.seed + attempt,
        "target_accept": model.acceptance(n_units, attempt),
    }


def refit_pool(
    variation: Variation,
    pool: Pool,
    records: Records,
    settings: Settings,
    contrast: str,
    budget: Budget,
    progress: Progress,
    *,
    is_shared: bool,
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Fit one variation and say its answer.

    Parameters
    ----------
    variation : Variation
        Its ``change_pool`` is applied here.
    pool : Pool
        Packed from ``records``.
    records : Records
    settings : Settings
    contrast : str
        That of the study's own answer.
    budget : Budget
    progress : Progress
    is_shared : bool
        Compile for all pools of this shape; else for this one alone, which is quicker once.

    Returns
    -------
    rows : list of dict
        One an outcome that the variation is defended for, as ``base.ROWS_SCHEMA`` has them.
    told : dict
        What the variation's file keeps besides.
    """
    verdicts = identify_contrasts(pool, settings)
    counts = {o: len(pool.observed[o].rows) for o in variation.outcomes}
    asked = [o for o in variation.outcomes if verdicts[o, contrast].is_identified]
    refused = {
        o: refused_row(o, counts[o], verdicts[o, contrast].reason)
        for o in variation.outcomes
        if o not in asked
    }
    told: dict[str, Any] = {}
    made: dict[str, dict[str, Any]]
    if not asked:
        return [refused[o] for o in variation.outcomes], told
    if variation.is_cut:
        if not pool.has("mites"):
            return [refused_row(o, counts[o], NO_MITES) for o in variation.outcomes], told
        made, told = cut_rows(pool, asked, counts, settings, contrast, budget, progress)
        return [(refused | made)[o] for o in variation.outcomes], told
    varied = variation.change_pool(pool, records) if variation.change_pool else pool
    conductances: list[float] = []
    if is_dose_pool(varied):
        conductances = typical_conductances(pool, records, (level_of(contrast), "none"))
        told["conductances_w_per_k"] = [round(value, 3) for value in conductances]
    with progress.task("compiling the model"):
        compiled = compile_pool(varied, is_reused=is_shared)
    made = {}
    for attempt in range(budget.retries + 1):
        try:
            tree = compiled.sample(_chosen(settings.model, budget, pool.n_units, attempt), progress)
        except RuntimeError:  # no place to start from, where few records are left
            made = {o: broken_row(o, counts[o]) for o in asked}
            continue
        draws = answer_draws(
            varied, tree["posterior"].ds, contrast, asked, conductances, settings.model.seed
        )
        made = {o: estimated_row(o, draws[o], budget.chains, counts[o]) for o in asked}
        told["divergences"] = int(tree["sample_stats"].ds["diverging"].values.sum())
        if all(row["status"] == ESTIMATED for row in made.values()):
            break
    return [(refused | made)[o] for o in variation.outcomes], told
