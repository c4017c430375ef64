"""How fast the joint model is sampled, beside its plain parametrisation under PyMC's own sampler.

Run by hand, on a quiet machine:

    uv run python -m tests.benchmarks.sampling_speed --units 500 2000 --keep

Every size and way runs in a process of its own on the same invented pool. The figure compared is
the least bulk ESS of all headline quantities (estimands, and the coefficients they rest on) per
CPU second of sampling; compilation is told apart. ``until passed`` is what a study waits for:
draws doubled until every gate passes, as ``models/fit.py`` does it.

The goals: at 2,000 units 3 times the plain way's rate and all gates within 3 minutes; 8,000
units within 15 minutes; seconds of CPU an effective draw growing no faster than units ^ 1.2.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from models.compiled import COORDINATES, DERIVED, Compiled, compile_pool
from models.data import Pool, pack_pool
from models.estimands import pool_means
from models.gates import Gates, judge
from models.identify import identify_contrasts
from models.joint import build_joint_model
from models.simulate import Scenario, simulate_pool
from models.tables import estimand_draws, estimand_verdicts
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings
from tests.benchmarks.measuring import conditions, keep

ROOT = Path(__file__).parents[2]
UNITS_A_MEMBER = 24
SEED = 9
OURS, PLAIN = "rotated, nutpie", "plain, PyMC"
GOAL_RATIO, GOAL_EXPONENT = 3.0, 1.2
GOAL_SECONDS = {2_000: 180.0, 8_000: 900.0}


def invented_pool(units: int) -> Pool:
    """An ordinary association of about so many colony-winters."""
    made = simulate_pool(Scenario(n_members=max(units // UNITS_A_MEMBER, 6)), SEED)
    return pack_pool(made.colony_winters, made.mite_samples, Settings())


def cpu_seconds() -> float:
    """CPU time of this process and of those that have ended under it."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def judged(pool: Pool, tree: xr.DataTree, names: list[str]) -> Gates:
    """Gates of a fit, its estimands included."""
    posterior = tree["posterior"].ds
    means = pool_means(pool, posterior, seed=SEED)
    verdicts = estimand_verdicts(pool, posterior, identify_contrasts(pool, Settings()), Settings())
    n_chains = posterior.sizes["chain"]
    headline = {
        " | ".join(key): xr.DataArray(draws.reshape(n_chains, -1), dims=("chain", "draw"))
        for key, draws in estimand_draws(pool, means, verdicts).items()
    }
    return judge(posterior, tree["sample_stats"].ds, names, headline)


def sample_plain(pool: Pool, chosen: dict[str, Any]) -> tuple[xr.DataTree, list[str], float]:
    """Sample the plain parametrisation by PyMC; returns draws, judged names, CPU s compiling."""
    import pymc as pm

    model = build_joint_model(pool, is_rotated=False)
    begun = cpu_seconds()
    names = [v.name for v in model.free_RVs if v.name not in COORDINATES]
    names += [name for name in DERIVED if name in model.named_vars]
    quiet = {"progressbar": False, "compute_convergence_checks": False}
    own = {"random_seed": chosen["seed"], "target_accept": chosen["target_accept"]}
    with model:
        pm.sample(draws=1, tune=0, chains=1, cores=1, nuts_sampler="pymc", **quiet, **own)
        compiling = cpu_seconds() - begun
        tree = pm.sample(
            draws=chosen["draws"],
            tune=chosen["tune"],
            chains=chosen["chains"],
            cores=1,
            nuts_sampler="pymc",
            **quiet,
            **own,
        )
    return tree, names, compiling


def sample_once(pool: Pool, compiled: Compiled | None, chosen: dict[str, Any]) -> dict:
    """Sample and judge once; the figures of one attempt."""
    wall, begun = time.monotonic(), cpu_seconds()
    compiling = 0.0
    if compiled is not None:
        tree, names = compiled.sample(chosen, SILENT), compiled.judged
    else:
        tree, names, compiling = sample_plain(pool, chosen)
    # PyMC compiles the same again before it samples
    cpu = cpu_seconds() - begun - 2.0 * compiling
    sampled = time.monotonic() - wall
    gates = judged(pool, tree, names)
    rows = gates.table.filter("is_headline").drop_nulls("ess_bulk").sort("ess_bulk")
    return {
        "sampling_cpu_s": cpu,
        "compiling_cpu_s": compiling,
        "wall_s": time.monotonic() - wall,
        "sampling_wall_s": sampled,
        "worst": rows["quantity"][0],
        "worst_ess": rows["ess_bulk"][0],
        "worst_r_hat": rows["r_hat"].max(),
        "divergences": int(tree["sample_stats"].ds["diverging"].sum()),
        "failed": len(gates.failures),
        "draws": chosen["draws"] * chosen["chains"],
    }


def run_one(way: str, units: int, draws: int, tune: int, retries: int) -> dict:
    """Figures of one size and way, in this process."""
    pool = invented_pool(units)
    model = ModelSettings()
    begun, wall = cpu_seconds(), time.monotonic()
    compiled = compile_pool(pool, is_reused=False) if way == OURS else None
    found: dict[str, Any] = {"way": way, "units": pool.n_units}
    found["compiling_cpu_s"] = cpu_seconds() - begun
    for attempt in range(retries + 1):
        factor = 2**attempt
        chosen = {
            "draws": replace(model, draws=draws).kept_draws(pool.n_units) * factor,
            "tune": tune * factor,
            "chains": model.chains,
            "cores": model.cores,
            "seed": model.seed + attempt,
            "target_accept": model.acceptance(pool.n_units, attempt),
        }
        made = sample_once(pool, compiled, chosen)
        made["compiling_cpu_s"] += found["compiling_cpu_s"]
        if attempt == 0:
            found |= made  # rates are those of the first attempt
        if not made["failed"]:
            break
    found["attempts"] = attempt + 1
    found["until_passed_s"] = None if made["failed"] else time.monotonic() - wall
    found["peak_mib"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return found


def main() -> None:
    """Run every size and way, and print what they took beside the goals."""
    parser = argparse.ArgumentParser(description="Time the sampling of the joint model.")
    parser.add_argument("--units", type=int, nargs="+", default=[500, 2_000])
    parser.add_argument("--plain-up-to", type=int, default=2_000, help="largest size of the plain")
    parser.add_argument("--draws", type=int, default=ModelSettings().draws)
    parser.add_argument("--tune", type=int, default=ModelSettings().tune)
    parser.add_argument("--retries", type=int, default=ModelSettings().retries)
    parser.add_argument("--keep", action="store_true", help="add to results/sampling.csv")
    parser.add_argument("--one", nargs=2, metavar=("WAY", "UNITS"), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        way, units = chosen.one
        retries = chosen.retries if way == OURS else 0
        print(json.dumps(run_one(way, int(units), chosen.draws, chosen.tune, retries)))
        return
    found = []
    before = conditions()
    budget = ["--draws", str(chosen.draws), "--tune", str(chosen.tune)]
    budget += ["--retries", str(chosen.retries)]
    print(f"{'':18}{'units':>7}{'compile':>9}{'sample':>8}{'ESS':>7}{'ESS/CPU s':>11}", end="")
    print(f"{'R-hat':>7}{'diverged':>9}{'passed in':>11}{'peak MiB':>10}")
    for units in chosen.units:
        for way in (OURS, PLAIN):
            if way == PLAIN and units > chosen.plain_up_to:
                continue
            command = [
                sys.executable,
                "-m",
                "tests.benchmarks.sampling_speed",
                *budget,
                "--one",
                way,
                str(units),
            ]
            ended = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
            one = json.loads(ended.stdout.splitlines()[-1])
            found.append(one)
            passed = one["until_passed_s"]
            print(
                f"{way:18}{one['units']:7,}{one['compiling_cpu_s']:8.0f}s"
                f"{one['sampling_cpu_s']:7.0f}s{one['worst_ess']:7.0f}"
                f"{one['worst_ess'] / one['sampling_cpu_s']:11.2f}{one['worst_r_hat']:7.3f}"
                f"{one['divergences']:9}{f'{passed:.0f} s' if passed else 'never':>11}"
                f"{one['peak_mib']:10,.0f}   worst: {one['worst']}",
                flush=True,
            )
    tell_goals(found)
    if chosen.keep:
        keep("sampling", [kept(one) for one in found], before)


def kept(one: dict) -> dict[str, str]:
    """One line of ``results/sampling.csv``."""
    passed = one["until_passed_s"]
    return {
        "way": one["way"],
        "units": str(one["units"]),
        "draws": str(one["draws"]),
        "compiling_cpu_s": f"{one['compiling_cpu_s']:.0f}",
        "sampling_cpu_s": f"{one['sampling_cpu_s']:.0f}",
        "sampling_wall_s": f"{one['sampling_wall_s']:.0f}",
        "worst": one["worst"],
        "worst_ess": f"{one['worst_ess']:.0f}",
        "worst_r_hat": f"{one['worst_r_hat']:.4f}",
        "divergences": str(one["divergences"]),
        "failed_gates": str(one["failed"]),
        "attempts": str(one["attempts"]),
        "passed_in_s": f"{passed:.0f}" if passed else "",
        "peak_mib": f"{one['peak_mib']:.0f}",
    }


def tell_goals(found: list[dict]) -> None:
    """Print which goals were met."""
    rate = {(f["way"], f["units"]): f["worst_ess"] / f["sampling_cpu_s"] for f in found}
    for (way, units), plain in rate.items():
        if way == PLAIN and (OURS, units) in rate:
            times = rate[OURS, units] / plain
            print(f"{units:,} units: {times:.1f} times the plain rate (goal at 2,000: 3)")
    for one in found:
        limit = next((s for n, s in GOAL_SECONDS.items() if abs(one["units"] - n) < n / 10), None)
        if one["way"] == OURS and limit:
            passed = one["until_passed_s"]
            is_met = passed is not None and passed < limit
            print(f"{one['units']:,} units: within {limit:.0f} s {'met' if is_met else 'missed'}")
    ours = [(f["units"], rate[OURS, f["units"]]) for f in found if f["way"] == OURS]
    if len(ours) > 1:
        n, r = np.log(np.array(ours)).T
        print(f"growth: units ^ {-np.polyfit(n, r, 1)[0]:.2f} (goal: at most {GOAL_EXPONENT})")


if __name__ == "__main__":
    main()
