"""How precise next winter's trial can be: from the fit where there is one, else from the priors."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from pipeline.disk import disk_errors, replacing_together
from pipeline.errors import StudyError
from pipeline.lock import Lock
from pipeline.progress import Progress
from pipeline.runner import is_current
from pipeline.settings import Settings, read_settings
from pipeline.store import Store
from pipeline.study import Study

if TYPE_CHECKING:
    from models.trial.expectations import Expected, Known

TABLE, SMALLEST, RUN = "precision.csv", "precision_smallest.csv", "precision_run.json"
N_DRAWS: Final = 400
_SHORT: Final = {
    "stores": "stores use",
    "stores use": "stores use",
    "survival": "survival",
    "strength": "spring strength",
    "spring strength": "spring strength",
}
MOST: Final = 100_000  # of any number asked for: beyond that no association reaches


@dataclass(frozen=True, slots=True)
class Asked:
    """The grid of trials, and the widths that a pool is to reach, by outcome."""

    colonies: tuple[int, ...]
    apiaries: tuple[int, ...]
    winters: tuple[int, ...]
    widths: dict[str, float]


@dataclass(frozen=True, slots=True)
class Precision:
    """What was found: ``precision.csv``, ``precision_smallest.csv``, ``precision_run.json``."""

    table: pl.DataFrame
    smallest: pl.DataFrame
    run: dict[str, Any]


def parse_numbers(text: str, what: str, least: int) -> tuple[int, ...]:
    """Read a list of whole numbers, in order, each once.

    Raises
    ------
    StudyError
        There is none, or one is no whole number, too small or too large.

    Examples
    --------
    >>> parse_numbers("16, 4,8,4", "colonies", 2)
    (4, 8, 16)
    """
    mend = f"Give whole numbers of {least} or more with commas between, like --{what} 4,8,16."
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not parts:
        raise StudyError(f"There is no number of {what} in {text!r}.", mend=mend)
    for part in parts:
        if not (part.isascii() and part.isdigit() and least <= int(part) <= MOST):
            raise StudyError(f"{part!r} is not a possible number of {what}.", mend=mend)
    return tuple(sorted({int(part) for part in parts}))


def parse_widths(text: str) -> dict[str, float]:
    """Read the widths asked for, by outcome.

    Raises
    ------
    StudyError
        An outcome is not known or stands twice, or a width is no positive number.

    Examples
    --------
    >>> parse_widths("survival=10, stores=1.5")
    {'survival': 10.0, 'stores use': 1.5}
    """
    mend = "Write it like --width survival=10,stores=1.5,strength=1 (points, kg, frames)."
    widths: dict[str, float] = {}
    for part in (part.strip() for part in text.split(",") if part.strip()):
        name, _, number = (piece.strip() for piece in part.partition("="))
        outcome = _SHORT.get(name)
        if outcome is None or outcome in widths:
            raise StudyError(f"{name!r} is not an outcome, or stands twice.", mend=mend)
        try:
            width = float(number)
        except ValueError:
            width = 0.0
        if not 0.0 < width < float("inf"):
            raise StudyError(f"{number!r} is not a width.", mend=mend)
        widths[outcome] = width
    return widths


def fit_digest(results: Path) -> str:
    """Digest of a fit's estimates, by which what was made from them is known; empty without."""
    path = results / "estimands.csv"
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else ""


def _usable_outcomes(study: Study) -> tuple[list[str], str]:
    """Outcomes whose full against none the last fit has estimated; else why there are none."""
    path = study.results_path / "estimands.csv"
    if not path.exists():
        return [], "there is no fit yet"
    rows = pl.read_csv(path, infer_schema_length=None).filter(
        (pl.col("contrast") == "full vs none")
        & (pl.col("measure") == "difference")
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == "these winters")
    )
    found = rows.filter(pl.col("status") == "estimated")["outcome"].to_list()
    if found:
        return found, ""
    if "not converged" in rows["status"].to_list():
        return [], "the last fit did not converge"
    return [], "the last fit could not compare full with none"


def _known(study: Study, settings: Settings, *, is_prior_wanted: bool) -> tuple[Known, str]:
    """Take what is known now, and say why the priors speak where they speak for all."""
    from models.data import pack_pool
    from models.trial.expectations import known_after, known_before

    seed = settings.model.seed
    before = known_before(N_DRAWS, seed, settings.stores)
    outcomes, why = ([], "it was asked for") if is_prior_wanted else _usable_outcomes(study)
    if not outcomes:
        return before, why
    if not is_current("fit", study, settings):
        raise StudyError(
            f"The fit in {study.path} is out of date: records, settings or the program changed.",
            mend="Run: winterpool run STUDY; or give --from-priors to leave the fit out.",
        )
    import xarray as xr

    with Store.open(study.store_path, read_only=True) as store:
        pool = pack_pool(store.table("colony_winters"), store.table("mite_samples"), settings)
    with xr.open_datatree(study.results_path / "posterior.nc", engine="netcdf4") as tree:
        posterior = tree["posterior"].ds.load()
    return known_after(pool, posterior, outcomes, before, N_DRAWS, seed), ""


def _sources(expected: dict[str, Expected]) -> dict[str, str]:
    return {outcome: own.source for outcome, own in expected.items()}


def precision_study(
    path: Path, asked: Asked, progress: Progress, *, is_prior_wanted: bool = False
) -> Precision:
    """Work out the precision of every trial of a grid and write it to ``results``.

    Parameters
    ----------
    path : Path
        The study folder.
    asked : Asked
    progress : Progress
    is_prior_wanted : bool
        Leave a fit out of it.

    Raises
    ------
    StudyError
        The fit is out of date.
    StoreInUseError
        Another command is at work on the study's results.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    with Lock.held(study.step_lock_path):
        return _work_out(study, settings, asked, progress, is_prior_wanted=is_prior_wanted)


def _work_out(
    study: Study, settings: Settings, asked: Asked, progress: Progress, *, is_prior_wanted: bool
) -> Precision:
    from models.trial.expectations import expected_of
    from models.trial.precision import RULE, precision_table, smallest_pools

    with progress.task("reading what is known now"):
        known, why = _known(study, settings, is_prior_wanted=is_prior_wanted)
    expected = expected_of(known)
    table = precision_table(expected, asked.colonies, asked.apiaries, asked.winters)
    smallest = smallest_pools(expected, asked.apiaries, asked.winters, asked.widths)
    run = {
        "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "version": version("winterpool"),
        "seed": settings.model.seed,
        "draws": len(known.cv),
        "sources": _sources(expected),
        "why_priors": why,
        "fit_sha256": fit_digest(study.results_path),
        "rule": RULE,
        "widths": asked.widths,
    }
    with (
        disk_errors(study.results_path, "step"),
        replacing_together(study.results_path, last=TABLE) as draft,
    ):
        table.write_csv(draft / TABLE)
        smallest.write_csv(draft / SMALLEST)
        text = json.dumps(run, indent=2, ensure_ascii=False) + "\n"
        (draft / RUN).write_text(text, encoding="utf-8")
    return Precision(table, smallest, run)
