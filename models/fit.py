"""Fit one study: identify, sample, judge, standardise; and write what came out.

Compiled functions are kept in PyTensor's cache on disk: a refit compiles in less time.
"""

from __future__ import annotations

import json
import platform
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import xarray as xr

from models.apiary_effects import SCHEMA as APIARIES_SCHEMA
from models.apiary_effects import apiary_table
from models.compiled import compile_pool
from models.conditions import SCHEMA as CONDITIONS_SCHEMA
from models.conditions import conditions_table
from models.data import Pool, pack_pool
from models.estimands import pool_means
from models.gates import Gates, judge
from models.identify import Verdict, count_links, identify_contrasts
from models.tables import (
    estimand_draws,
    estimand_verdicts,
    estimands_table,
    level_means_table,
)
from pipeline.progress import Progress
from pipeline.settings import ModelSettings, Settings

PACKAGES = ("pymc", "pytensor", "nutpie", "numba", "arviz", "numpy", "polars", "xarray")


@dataclass(frozen=True, slots=True)
class FitResult:
    """Everything a fit leaves.

    Attributes
    ----------
    pool : Pool
    posterior : xarray.DataTree or None
        None when no contrast can be estimated, so that nothing was sampled.
    estimands, level_means, conditions, apiaries, gates, links, parts : polars.DataFrame
        The files of the same names.
    run : dict
        Versions, seed, times, attempts.
    """

    pool: Pool
    posterior: xr.DataTree | None
    estimands: pl.DataFrame
    level_means: pl.DataFrame
    conditions: pl.DataFrame
    apiaries: pl.DataFrame
    gates: pl.DataFrame
    links: pl.DataFrame
    parts: pl.DataFrame
    run: dict[str, Any]

    @property
    def has_converged(self) -> bool:
        """Whether every gate passed (true when nothing had to be sampled)."""
        return bool(self.gates["passed"].all())


def _parts_table(pool: Pool) -> pl.DataFrame:
    return pl.DataFrame(
        [(p.name, p.is_included, p.n_units, p.reason) for p in pool.parts.values()],
        schema={
            "part": pl.String,
            "is_included": pl.Boolean,
            "n_units": pl.Int64,
            "reason": pl.String,
        },
        orient="row",
    )


def _attempt_settings(model: ModelSettings, n_units: int, attempt: int) -> dict[str, Any]:
    """Each retry doubles the draws and halves the distance of target_accept to 1."""
    factor = 2**attempt
    return {
        "draws": model.kept_draws(n_units) * factor,
        "tune": model.tune * factor,
        "chains": model.chains,
        "cores": model.cores,
        "seed": model.seed + attempt,
        "target_accept": model.acceptance(n_units, attempt),
    }


def _as_draws(values: np.ndarray, chains: int) -> xr.DataArray:
    return xr.DataArray(values.reshape(chains, -1), dims=("chain", "draw"))


@dataclass(frozen=True, slots=True)
class _Sampled:
    posterior: xr.DataTree
    gates: Gates
    estimands: pl.DataFrame
    level_means: pl.DataFrame
    attempts: list[dict[str, Any]]


def _sample_until_passed(
    pool: Pool,
    verdicts: dict[tuple[str, str], Verdict],
    settings: Settings,
    progress: Progress,
) -> _Sampled:
    begun = time.monotonic()
    with progress.task("compiling the model (a minute or two the first time)"):
        compiled = compile_pool(pool, is_reused=False)
    attempts = [{"step": "compile", "seconds": round(time.monotonic() - begun, 1)}]
    for attempt in range(settings.model.retries + 1):
        begun = time.monotonic()
        chosen = _attempt_settings(settings.model, pool.n_units, attempt)
        tree = compiled.sample(chosen, progress)
        sampled = time.monotonic()
        posterior, stats = tree["posterior"].ds, tree["sample_stats"].ds
        with progress.task("standardising over the pool and judging the fit"):
            means = pool_means(pool, posterior, seed=settings.model.seed)
            own = estimand_verdicts(pool, posterior, verdicts, settings)
            draws = estimand_draws(pool, means, own)
            headline = {" | ".join(k): _as_draws(v, chosen["chains"]) for k, v in draws.items()}
            gates = judge(posterior, stats, compiled.judged, headline)
        attempts.append(
            {
                "step": f"attempt {attempt + 1}",
                **chosen,
                "seconds": round(sampled - begun, 1),
                "seconds_judging": round(time.monotonic() - sampled, 1),
                "failed_gates": len(gates.failures),
                "first_failures": gates.failures[:5],
            }
        )
        if gates.has_passed:
            break
    table = estimands_table(pool, draws, own, settings, failures=gates.failures)
    level_means = level_means_table(pool, means, verdicts, has_converged=gates.has_passed)
    return _Sampled(tree, gates, table, level_means, attempts)


def fit(
    colony_winters: pl.DataFrame,
    mite_samples: pl.DataFrame,
    settings: Settings,
    progress: Progress,
) -> FitResult:
    """Fit the joint model to a study's records.

    Parameters
    ----------
    colony_winters, mite_samples : polars.DataFrame
        As ``data_contracts/derived`` describes.
    settings : Settings
    progress : Progress
        Shows compiling, and draws per chain.

    Returns
    -------
    FitResult
        Where no contrast is identified nothing is sampled: every row says why. Where the gates
        fail in every attempt, rows say ``not converged`` and carry no number.
    """
    started = datetime.now(UTC)
    pool = pack_pool(colony_winters, mite_samples, settings)
    verdicts = identify_contrasts(pool, settings)
    links, parts = count_links(pool, settings), _parts_table(pool)
    run = {
        "started_at": started.isoformat(timespec="seconds"),
        "seed": settings.model.seed,
        "n_units": pool.n_units,
        "python": platform.python_version(),
        "versions": {name: version(name) for name in PACKAGES},
    }
    if any(verdict.is_identified for verdict in verdicts.values()):
        made = _sample_until_passed(pool, verdicts, settings, progress)
        posterior, gates = made.posterior, made.gates.table
        estimands, level_means = made.estimands, made.level_means
        with progress.task("asking what cold, openings and places change"):
            conditions = conditions_table(pool, posterior["posterior"].ds, estimands)
            apiaries = apiary_table(pool, posterior["posterior"].ds, estimands)
        run["attempts"] = made.attempts
    else:
        own = estimand_verdicts(pool, None, verdicts, settings)
        posterior, gates = None, Gates.none().table
        estimands = estimands_table(pool, {}, own, settings, failures=[])
        level_means = level_means_table(pool, None, verdicts, has_converged=True)
        conditions = pl.DataFrame(schema=CONDITIONS_SCHEMA)
        apiaries = pl.DataFrame(schema=APIARIES_SCHEMA)
        run["attempts"] = []
    run["has_converged"] = bool(gates["passed"].all())
    run["seconds"] = round((datetime.now(UTC) - started).total_seconds(), 1)
    tables = (estimands, level_means, conditions, apiaries, gates, links, parts)
    return FitResult(pool, posterior, *tables, run)


def _write_posterior(posterior: xr.DataTree, path: Path) -> None:
    """Write the draws (random digits hardly compress); text in the statistics is dropped."""
    tree = posterior.copy()
    stats = tree["sample_stats"].ds
    texts = [name for name, values in stats.data_vars.items() if values.dtype == object]
    tree["sample_stats"] = xr.DataTree(stats.drop_vars(texts))
    for node in tree.subtree:
        node.attrs.pop("created_at", None)  # ``run.json`` says when
    tree.to_netcdf(path, engine="netcdf4")


def write_results(result: FitResult, folder: Path) -> None:
    """Write a fit's files.

    Parameters
    ----------
    result : FitResult
    folder : Path
        Made when missing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if result.posterior is not None:
        _write_posterior(result.posterior, folder / "posterior.nc")
    run = json.dumps(result.run, indent=2, ensure_ascii=False)
    (folder / "run.json").write_text(run + "\n", encoding="utf-8")
    for name in ("gates", "links", "parts", "level_means", "conditions", "apiaries", "estimands"):
        table: pl.DataFrame = getattr(result, name)
        table.write_csv(folder / f"{name}.csv")
