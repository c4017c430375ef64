"""Secondary outcomes from loggers: when brood began, and hours at risk of condensation.

Small models beside the joint one, each on the colonies with loggers that came through. Nothing
here is a headline: few members have loggers.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import networkx as nx
import numpy as np
import polars as pl
import xarray as xr

from models.compiled import compile_functions
from models.gates import GATES_SCHEMA, Gates, judge
from models.logged import BROOD, MOISTURE, SECONDARY, Logged, pack_logged
from models.secondary_model import build_secondary_model, contrast_draws
from models.tables import ESTIMATED, NOT_CONVERGED, NOT_POSSIBLE, QUANTILES
from models.vocabulary import LEVELS
from pipeline.progress import Progress
from pipeline.settings import ModelSettings, Settings

CONTRASTS: Final = tuple(f"{level} vs none" for level in LEVELS[1:])
UNITS: Final = {BROOD: "days", MOISTURE: "h per 100 d"}


@dataclass(frozen=True, slots=True)
class SecondaryResult:
    """What the secondary models leave.

    Attributes
    ----------
    table : polars.DataFrame
        ``secondary.csv``: outcome, contrast, measure, unit, mean, sd, quantiles, p_less
        (probability that the first level has the smaller value), n_units, n_members, n_left_out,
        status, reason. A number stands only in rows with status ``estimated``.
    gates : polars.DataFrame
        As ``gates.csv``, with outcome.
    attempts : list of dict
        Settings, seconds and failed gates of every attempt.
    """

    table: pl.DataFrame
    gates: pl.DataFrame
    attempts: list[dict[str, Any]] = field(default_factory=list)


def why_not(logged: Logged, contrast: str, settings: ModelSettings) -> str:
    """Say why a contrast cannot be estimated from the colonies with loggers, or nothing.

    Parameters
    ----------
    logged : Logged
    contrast : str
        One of ``CONTRASTS``.
    settings : ModelSettings
        ``minimum_colonies`` and ``minimum_links`` are read: both levels need as many logged
        colony-winters, and a chain of pairs of levels, each used by so many members, must
        join them.
    """
    level = contrast.removesuffix(" vs none")
    counts = {name: int((logged.level == k).sum()) for k, name in enumerate(logged.levels)}
    what = f"{logged.outcome.split(' among')[0]} is known"
    for name in (level, "none"):
        n = counts.get(name, 0)
        if n < settings.minimum_colonies:
            few = f"fewer than {settings.minimum_colonies}" if n else "no"
            return f"{what} for {few} surviving colony-winter{'s' if n else ''} at level {name}"
    users = {name: set(logged.member[logged.level == k]) for k, name in enumerate(logged.levels)}
    links = nx.Graph()
    links.add_nodes_from(logged.levels)
    links.add_edges_from(
        (a, b)
        for a in logged.levels
        for b in logged.levels
        if a < b and len(users[a] & users[b]) >= settings.minimum_links
    )
    if not nx.has_path(links, level, "none"):
        return (
            f"fewer than {settings.minimum_links} members have loggers at both {level} and none, "
            "and no chain of other levels joins the two"
        )
    return ""


def _sample(
    compiled: Any, model: ModelSettings, n_units: int, attempt: int, task: Any
) -> xr.DataTree:
    import nutpie

    factor = 2**attempt

    def show(chains: list[Any]) -> None:
        task.update(completed=sum(chain.finished_draws for chain in chains))

    return nutpie.sample(
        compiled,
        draws=model.draws * factor,
        tune=model.tune * factor,
        chains=model.chains,
        cores=model.cores,
        seed=model.seed + attempt,
        target_accept=model.acceptance(n_units, attempt),
        progress_bar=False,
        progress_callback=show,
        progress_rate=500,
        save_warmup=False,
    )


def _fit_one(
    logged: Logged, contrasts: list[str], settings: ModelSettings, progress: Progress
) -> tuple[dict[str, xr.DataArray], Gates, list[dict]]:
    """Sample one outcome until its gates pass or the retries are spent."""
    model = build_secondary_model(logged, settings)
    with progress.task(f"compiling the model of {logged.outcome}"):
        compiled = compile_functions(model)
    free = [variable.name for variable in model.free_RVs]
    attempts: list[dict] = []
    for attempt in range(settings.retries + 1):
        begun = time.monotonic()
        total = settings.chains * (settings.draws + settings.tune) * 2**attempt
        with progress.task(f"sampling {logged.outcome}", total=total, unit="draws") as task:
            tree = _sample(compiled, settings, len(logged.unit_names), attempt, task)
        posterior = tree["posterior"].ds
        draws = {c: contrast_draws(logged, posterior, c) for c in contrasts}
        gates = judge(posterior, tree["sample_stats"].ds, free, draws)
        attempts.append(
            {
                "outcome": logged.outcome,
                "attempt": attempt + 1,
                "seconds": round(time.monotonic() - begun, 1),
                "failed_gates": len(gates.failures),
                "first_failures": gates.failures[:5],
            }
        )
        if gates.has_passed:
            break
    return draws, gates, attempts


def _row(logged: Logged, contrast: str, draws: np.ndarray | None, status: str, why: str) -> dict:
    numbers: dict[str, float | None] = dict.fromkeys(("mean", "sd", *QUANTILES, "p_less"))
    if draws is not None:
        limits = np.quantile(draws, list(QUANTILES.values()))
        numbers = {"mean": float(draws.mean()), "sd": float(draws.std(ddof=1))}
        numbers |= dict(zip(QUANTILES, map(float, limits), strict=True))
        numbers["p_less"] = float((draws < 0).mean())
    return {
        "outcome": logged.outcome,
        "contrast": contrast,
        "measure": "difference",
        "unit": UNITS[logged.outcome],
        **numbers,
        "n_units": logged.n_units,
        "n_members": len(logged.members),
        "n_left_out": logged.n_left_out,
        "status": status,
        "reason": why,
    }


def fit_secondary(
    colony_winters: pl.DataFrame,
    sensor_features: pl.DataFrame,
    sensor_days: pl.DataFrame,
    settings: Settings,
    progress: Progress,
) -> SecondaryResult:
    """Estimate what insulation goes with in the colonies with loggers that came through.

    Parameters
    ----------
    colony_winters, sensor_features, sensor_days : polars.DataFrame
        As ``data_contracts/derived`` describes; of ``sensor_days`` the brood nest's days suffice.
    settings : Settings
    progress : Progress

    Returns
    -------
    SecondaryResult
        A row for every outcome and contrast, whatever its status; nothing is sampled for an
        outcome without an identified contrast, and no number stands where a gate failed.
    """
    rows: list[dict] = []
    gates: list[pl.DataFrame] = []
    attempts: list[dict] = []
    for outcome in SECONDARY:
        logged = pack_logged(outcome, colony_winters, sensor_features, sensor_days, settings)
        why = {c: why_not(logged, c, settings.model) for c in CONTRASTS}
        possible = [c for c in CONTRASTS if not why[c]]
        draws: dict[str, xr.DataArray] = {}
        failures: list[str] = []
        if possible:
            draws, judged, made = _fit_one(logged, possible, settings.model, progress)
            failures, attempts = judged.failures, attempts + made
            gates.append(judged.table.with_columns(outcome=pl.lit(outcome)))
        for contrast in CONTRASTS:
            if why[contrast]:
                reason = f"Cannot be estimated from these records, because {why[contrast]}."
                rows.append(_row(logged, contrast, None, NOT_POSSIBLE, reason))
            elif failures:
                reason = f"The sampler did not pass its gates: {'; '.join(failures[:3])}."
                rows.append(_row(logged, contrast, None, NOT_CONVERGED, reason))
            else:
                rows.append(_row(logged, contrast, draws[contrast].values.ravel(), ESTIMATED, ""))
    numbers = dict.fromkeys(("mean", "sd", *QUANTILES, "p_less"), pl.Float64)
    schema = GATES_SCHEMA | {"outcome": pl.String}
    return SecondaryResult(
        pl.DataFrame(rows, schema_overrides=numbers, infer_schema_length=None),
        pl.concat(gates) if gates else pl.DataFrame(schema=schema),
        attempts,
    )


def write_secondary(result: SecondaryResult, folder: Path) -> None:
    """Write ``secondary_gates.csv`` and ``secondary.csv``."""
    folder.mkdir(parents=True, exist_ok=True)
    result.gates.write_csv(folder / "secondary_gates.csv")
    result.table.write_csv(folder / "secondary.csv")
