"""The step that fits: the joint model, the checks of its finding, what only loggers tell.

Everything is computed before anything is written, and takes its place together.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.beside import working_beside
from pipeline.disk import FULL_WORDS, NETCDF_WRITE_WORDS, disk_errors, replacing_together
from pipeline.errors import WinterpoolError
from pipeline.progress import SILENT, Progress
from pipeline.settings import Settings

if TYPE_CHECKING:
    from models.checks.base import Check
    from models.fit import FitResult
    from models.secondary import SecondaryResult

# what a fit may leave out; they go when this one leaves them out
OPTIONAL = (
    "posterior.nc",
    "secondary.csv",
    "secondary_gates.csv",
    "checks",
    "refits",  # of the earlier fit
)


@dataclass(frozen=True, slots=True)
class FitInputs:
    """Tables that a fit reads.

    Attributes
    ----------
    colony_winters, mite_samples, set_ups : polars.DataFrame
        As ``data_contracts`` describes.
    loggers : tuple of polars.DataFrame
        ``sensor_features``, and of ``sensor_days`` the brood nest's days; empty when they have
        not been built.
    """

    colony_winters: pl.DataFrame
    mite_samples: pl.DataFrame
    set_ups: pl.DataFrame
    loggers: tuple[()] | tuple[pl.DataFrame, pl.DataFrame]


Secondary = tuple["SecondaryResult | None", dict[str, Any]]


def try_secondary(inputs: FitInputs, settings: Settings) -> Secondary:
    """Fit what only colonies with loggers tell; the answer stands whatever becomes of it.

    Returns
    -------
    result : SecondaryResult or None
        None when the fit broke off.
    run : dict
        ``secondary_run.json``: attempts and, when there is no result, the problem.
    """
    from models.secondary import fit_secondary

    if not inputs.loggers:
        problem = "The tables of the loggers have not been built."
        return None, {"attempts": [], "problem": problem}
    try:
        result = fit_secondary(inputs.colony_winters, *inputs.loggers, settings, SILENT)
    except (WinterpoolError, ArithmeticError, MemoryError, RuntimeError, ValueError) as error:
        problem = f"The fit broke off ({type(error).__name__})."
        return None, {"attempts": [], "problem": problem}
    return result, {"attempts": result.attempts, "problem": ""}


def _check_finding(
    inputs: FitInputs, settings: Settings, result: FitResult, progress: Progress
) -> list[Check]:
    """Ask what could break the answer."""
    from models.checks import run_checks
    from models.checks.base import Evidence

    tree = result.posterior if result.has_converged else None
    evidence = Evidence(
        settings,
        result.pool,
        None if tree is None else tree["posterior"].ds,
        None if tree is None else tree["sample_stats"].ds,
        result.estimands,
        inputs.colony_winters,
        inputs.mite_samples,
        inputs.set_ups,
    )
    return run_checks(evidence, progress)


def write_fit(folder: Path, result: FitResult, checks: list[Check], secondary: Secondary) -> None:
    """Write all that a fit found; nothing of an earlier fit stays beside it.

    Raises
    ------
    StoreError
        The disk is full; the files are as they were.
    """
    from models.checks import write_checks
    from models.fit import write_results
    from models.secondary import write_secondary

    with (
        disk_errors(folder, "step", (*FULL_WORDS, *NETCDF_WRITE_WORDS)),
        replacing_together(folder, last="estimands.csv") as draft,
    ):
        write_results(result, draft)
        write_checks(checks, draft)
        found, run = secondary
        if found is not None:
            write_secondary(found, draft)
        text = json.dumps(run, indent=2) + "\n"
        (draft / "secondary_run.json").write_text(text, encoding="utf-8")
        for name in OPTIONAL:
            if (folder / name).is_dir():
                shutil.rmtree(folder / name)
            elif not (draft / name).exists():
                (folder / name).unlink(missing_ok=True)


def fit_study(
    inputs: FitInputs, settings: Settings, digests: dict[str, str], folder: Path, progress: Progress
) -> None:
    """Fit, check and write.

    Parameters
    ----------
    inputs : FitInputs
    settings : Settings
    digests : dict of str to str
        Of everything that the results depend on; kept in ``run.json``.
    folder : Path
        Of the results.
    progress : Progress

    Notes
    -----
    The models of the loggers' outcomes are compiled and sampled in a process of their own:
    compiling the joint model keeps one core busy for a minute or two.
    """
    from models.fit import fit

    with working_beside(try_secondary, inputs, settings) as wait:
        result = fit(inputs.colony_winters, inputs.mite_samples, settings, progress)
        result.run["sha256"] = digests
        checks = _check_finding(inputs, settings, result, progress)
        with progress.task("waiting for the models of the loggers' outcomes"):
            try:
                secondary = wait()
            except ChildProcessError:
                problem = "The fit broke off (its process ended early)."
                secondary = (None, {"attempts": [], "problem": problem})
    write_fit(folder, result, checks, secondary)
