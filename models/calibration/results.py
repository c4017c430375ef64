"""From finished replicates to the small tables that are kept, read by tests and the report.

``sbc.csv`` has a row for every quantity that is ranked, with its ranks; ``scenarios.csv`` a row
for every scenario and outcome; ``replicates.csv`` what those rows are made from, a row for every
replicate and outcome; ``results.json`` says how many replicates, with what, and when.
"""

from __future__ import annotations

import json
import os
import platform
import re
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from models.calibration.replicates import Job, read_replicates
from models.calibration.scenarios import (
    ORDINARY,
    PROBABILITIES,
    SCENARIOS,
    Scenario,
    scenario_replicate,
)
from models.calibration.uniformity import compare_with_uniform
from models.vocabulary import OUTCOMES
from pipeline.errors import ModelError

KINDS = ("sbc", "coverage", "scenarios")
KEPT = Path(__file__).parent / "results"  # the release figures
PACKAGES = ("pymc", "nutpie", "numpy", "polars", "arviz-stats", "distributed")
ENDS = {50: ("q25", "q75"), 89: ("q5.5", "q94.5"), 95: ("q2.5", "q97.5")}
QUANTILES = tuple(f"q{100 * p:g}" for p in PROBABILITIES)
REPLICATE_SCHEMA = {
    "scenario": pl.String,
    "outcome": pl.String,
    "replicate": pl.Int64,
    **dict.fromkeys(("truth", "naive", "mean", "sd", *QUANTILES), pl.Float64),
}
AGREED_R_HAT = 1.05  # chains of a replicate's small budget count as agreeing below this


def _folder(out: Path, scenario: Scenario) -> Path:
    name = re.sub("[^a-z0-9]+", "-", scenario.name.replace("%", "percent"))
    return out / "scenarios" / name


def jobs_of(kind: str, out: Path, replicates: int) -> list[Job]:
    """List the replicates of a kind of calibration.

    Parameters
    ----------
    kind : str
        ``sbc``: prior draws; ``coverage``: the ordinary scenario; ``scenarios``: all others.
    out : Path
    replicates : int
        Of each scenario.

    Raises
    ------
    ModelError
        There is no such kind.
    """
    if kind == "sbc":
        from models.calibration.sbc import sbc_replicate

        return [Job(out / "sbc", sbc_replicate, number) for number in range(replicates)]
    if kind not in KINDS:
        raise ModelError(
            f"{kind!r} is not a kind of calibration.", mend=f"Give one of: {', '.join(KINDS)}."
        )
    wanted = [s for s in SCENARIOS if (s.name == ORDINARY) == (kind == "coverage")]
    wanted.sort(key=lambda s: (s.association.n_members, s.fault is not None))  # by model shape
    return [
        Job(_folder(out, scenario), partial(scenario_replicate, scenario.name), number)
        for scenario in wanted
        for number in range(replicates)
    ]


def summarise_ranks(ranks: dict[str, list[int]], ranks_of: int) -> pl.DataFrame:
    """Compare the ranks of every quantity with the uniform distribution; a row each."""
    rows = []
    for quantity, own in ranks.items():
        found = compare_with_uniform(np.array(own), ranks_of)
        rows.append(
            {
                "quantity": quantity,
                "n": len(own),
                "ranks_of": ranks_of,
                "p_value": round(found.p_value, 4),
                "largest_difference": round(found.largest, 4),
                "is_inside": found.is_inside,
                "ranks": " ".join(map(str, own)),
            }
        )
    return pl.DataFrame(rows)


def _rows_of(scenario: Scenario, made: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows of one replicate, one an outcome; a refused one has a truth and nothing else."""
    rows = []
    for outcome in OUTCOMES:
        own = made["outcomes"][outcome]
        row = {"scenario": scenario.name, "outcome": outcome, "replicate": made["replicate"]}
        row |= {"truth": own["truth"]}
        if not own["refused"]:
            row |= {name: own[name] for name in ("naive", "mean", "sd")}
            row |= dict(zip(QUANTILES, own["quantiles"], strict=True))
        rows.append(row)
    return rows


def summarise_scenarios(replicates: pl.DataFrame) -> pl.DataFrame:
    """Bias, error and coverage of every scenario and outcome.

    Parameters
    ----------
    replicates : polars.DataFrame
        As ``replicates.csv``: ``scenario``, ``outcome``, ``replicate``, ``truth``; ``naive``,
        ``mean``, ``sd`` and the quantiles, null where refused.

    Returns
    -------
    polars.DataFrame
        In the order of ``SCENARIOS``; coverage in %.
    """
    ours, naive = pl.col("mean") - pl.col("truth"), pl.col("naive") - pl.col("truth")
    told = pl.col("mean").is_not_null()

    def root_mean_square(error: pl.Expr) -> pl.Expr:
        return (error**2).mean().sqrt()

    is_held = {
        f"coverage_{percent}": pl.col("truth").is_between(pl.col(low), pl.col(high)).filter(told)
        for percent, (low, high) in ENDS.items()
    }
    table = replicates.group_by("scenario", "outcome").agg(
        n=pl.len(),
        n_refused=pl.len() - told.sum(),
        truth=pl.col("truth").mean(),
        bias_ours=ours.mean(),
        rmse_ours=root_mean_square(ours),
        bias_naive=naive.mean(),
        rmse_naive=root_mean_square(naive),
        bias_mc_error=ours.std() / told.sum().sqrt(),
        mean_sd=pl.col("sd").mean(),
        **{name: 100.0 * held.mean() for name, held in is_held.items()},
    )
    order = pl.DataFrame(
        [(s.name, o, s.outcome) for s in SCENARIOS for o in OUTCOMES],
        ["scenario", "outcome", "expected"],
        orient="row",
    )
    joined = order.join(table, on=["scenario", "outcome"], how="inner", maintain_order="left")
    return joined.with_columns(pl.selectors.float().round(3))


def coverage_mc_error(percent: float, n: int) -> float:
    """Monte Carlo error [points] of a coverage seen over n replicates, were it nominal.

    Examples
    --------
    >>> round(coverage_mc_error(95, 200), 2)
    1.54
    """
    return float(np.sqrt(percent * (100.0 - percent) / n))


def _versions() -> dict[str, str]:
    """Versions of what the results rest on; the tables can be written without the engine."""
    found = {}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed here"
    return found


def _reliability(replicates: list[dict[str, Any]]) -> dict[str, Any]:
    checked = [made for made in replicates if "r_hat" in made]
    return {
        "replicates": len(replicates),
        "fitted": len(checked),
        "r_hat_above_1.05": sum(made["r_hat"] > AGREED_R_HAT for made in checked),
        "with_divergences": sum(made["divergences"] > 0 for made in checked),
        "code": sorted({made["code"] for made in replicates}),
    }


def _put(path: Path, text: str) -> None:
    unfinished = path.with_name(path.name + ".part")
    unfinished.write_text(text, encoding="utf-8")
    os.replace(unfinished, path)


def summarise(out: Path, into: Path | None = None) -> list[Path]:
    """Write the tables of whatever has finished.

    Parameters
    ----------
    out : Path
        Where the replicates are.
    into : Path, optional
        Where the tables go; ``out`` unless given.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    ModelError
        No replicate has finished.
    """
    into = into or out
    tables: dict[str, pl.DataFrame] = {}
    said: dict[str, Any] = {}
    ranked = read_replicates(out / "sbc")
    if ranked:
        names = list(ranked[0]["ranks"])
        ranks = {name: [made["ranks"][name] for made in ranked] for name in names}
        tables["sbc"] = summarise_ranks(ranks, ranked[0]["ranks_of"])
        said["sbc"] = _reliability(ranked)
    rows = []
    for scenario in SCENARIOS:
        replicates = read_replicates(_folder(out, scenario))
        if replicates:
            rows += [row for made in replicates for row in _rows_of(scenario, made)]
            said[scenario.name] = _reliability(replicates)
    if rows:
        made = pl.DataFrame(rows, REPLICATE_SCHEMA).with_columns(pl.selectors.float().round(4))
        tables["replicates"] = made
        tables["scenarios"] = summarise_scenarios(made)
    if not tables:
        raise ModelError(
            f"No replicate has finished in {out}.",
            mend="Run some first: winterpool calibrate OUT --kind sbc --replicates 20.",
        )
    into.mkdir(parents=True, exist_ok=True)
    written = []
    for name, table in tables.items():
        _put(into / f"{name}.csv", table.write_csv())
        written.append(into / f"{name}.csv")
    facts = {
        "summarised_on": datetime.now(UTC).date().isoformat(),
        "python": platform.python_version(),
        "versions": _versions(),
        "runs": said,
    }
    _put(into / "results.json", json.dumps(facts, indent=2, ensure_ascii=False) + "\n")
    return [*written, into / "results.json"]
