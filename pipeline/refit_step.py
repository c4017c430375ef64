"""The refits of a study: which are missing, each made and written as soon as it is done.

They cost minutes each and no other step waits for them. A refit whose file carries the
fingerprint of what it would be made from now is not made again.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from pipeline.disk import disk_errors, replacing_together
from pipeline.errors import ModelError, StudyError
from pipeline.lock import Lock
from pipeline.marks import marks_in
from pipeline.progress import SILENT, Progress
from pipeline.runner import read_current_fit
from pipeline.settings import Settings, read_settings
from pipeline.sources import source_digest
from pipeline.store import Store
from pipeline.study import Study
from pipeline.trial_record import drawn_units

if TYPE_CHECKING:
    from models.checks.base import Check, Evidence
    from models.data import Pool
    from models.refits.base import Found, Records, Variation

FOLDER: Final = "refits"
PLAN: Final = "plan.json"
WRITTEN: Final = "written.json"  # the marks of the others
LEAST_SHARED: Final = 3  # pools of one shape from which compiling once for all is cheaper
_RULES: Final = ("winter", "levels", "stores", "study", "model")


@dataclass(frozen=True, slots=True)
class RefitSummary:
    """What was made, what was there already, and what the checks say now."""

    made: list[str]
    founds: list[Found]
    checks: list[Check]


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A study with a converged fit, as the refits read it."""

    study: Study
    settings: Settings
    digest: str
    estimands: pl.DataFrame
    contrast: str
    records: Records
    set_ups: pl.DataFrame
    pool: Pool
    drawn: pl.DataFrame


def _load(study: Study, settings: Settings) -> _Fitted:
    from models.checks.headline import headline_rows
    from models.data import pack_pool
    from models.refits.base import Records

    run = read_current_fit(study, settings)
    estimands = pl.read_csv(study.results_path / "estimands.csv", infer_schema_length=None)
    rows = headline_rows(estimands)
    if rows.is_empty():
        raise ModelError(
            f"No contrast could be estimated in {study.path}, so there is no answer to refit.",
            mend="Read in the report what the records lack.",
        )
    with Store.open(study.store_path, read_only=True) as store:
        records = Records(store.table("colony_winters"), store.table("mite_samples"))
        set_ups = store.table("set_ups")
    digest = hashlib.sha256(json.dumps(run["sha256"], sort_keys=True).encode()).hexdigest()
    pool = pack_pool(records.colony_winters, records.mite_samples, settings)
    contrast = rows["contrast"][0]
    drawn = drawn_units(study)
    return _Fitted(study, settings, digest, estimands, contrast, records, set_ups, pool, drawn)


def _evidence(fitted: _Fitted) -> Evidence:
    import xarray as xr

    from models.checks.base import Evidence

    with xr.open_datatree(fitted.study.results_path / "posterior.nc", engine="netcdf4") as tree:
        posterior, stats = tree["posterior"].ds.load(), tree["sample_stats"].ds.load()
    return Evidence(
        fitted.settings,
        fitted.pool,
        posterior,
        stats,
        fitted.estimands,
        fitted.records.colony_winters,
        fitted.records.mite_samples,
        fitted.set_ups,
    )


def _fingerprint(fitted: _Fitted, name: str, settings: Settings) -> str:
    """Digest of what a refit depends on: the fit (tables, settings, code), its rules and code."""
    from models.refits.base import BUDGET
    from models.trial.as_assigned import AS_ASSIGNED

    rules = {section: asdict(getattr(settings, section)) for section in _RULES}
    parts = [fitted.digest, name, rules, asdict(BUDGET), source_digest("models/refits")]
    if name == AS_ASSIGNED:
        parts += [fitted.drawn.write_csv(), source_digest("models/trial/as_assigned.py")]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def _read_found(path: Path) -> Found | None:
    from models.refits.base import Found

    try:
        return Found(**json.loads(path.read_text(encoding="utf-8")))
    except (FileNotFoundError, ValueError, TypeError):  # not there, or not one of ours: made anew
        return None


def _read_plan(folder: Path, digest: str) -> int | None:
    """How many members and apiaries reweighting could not judge, when that was found before."""
    try:
        plan = json.loads((folder / PLAN).read_text(encoding="utf-8"))
        return int(plan["n_open"]) if plan["fit"] == digest else None
    except (FileNotFoundError, ValueError, KeyError):
        return None


def write_refits(
    folder: Path, digest: str, estimands: pl.DataFrame, founds: list[Found], n_open: int | None
) -> list[Check]:
    """Write every refit's file and what the checks say of all, in place of what was there.

    Parameters
    ----------
    folder : Path
        Made when missing.
    digest : str
        Of the fit they belong to.
    estimands : polars.DataFrame
        Of that fit.
    founds : list of Found
    n_open : int or None
        Members and apiaries that reweighting could not judge, where that is known.

    Returns
    -------
    list of Check
    """
    from models.checks import checks_table
    from models.refits.verdicts import refit_checks

    checks = refit_checks(founds, estimands, n_open)
    with (
        disk_errors(folder, "refit"),
        replacing_together(folder, last=WRITTEN) as draft,
    ):
        for found in founds:
            text = json.dumps(asdict(found), indent=2, ensure_ascii=False)
            (draft / f"{found.name}.json").write_text(text + "\n", encoding="utf-8")
        if n_open is not None:
            plan = json.dumps({"fit": digest, "n_open": n_open})
            (draft / PLAN).write_text(plan + "\n", encoding="utf-8")
        for check in checks:
            if check.table.width:
                check.table.write_csv(draft / f"{check.name}.csv")
        checks_table(checks).write_csv(draft / "checks.csv")
        text = json.dumps({"files": marks_in(draft)}, indent=2)
        (draft / WRITTEN).write_text(text + "\n", encoding="utf-8")
    return checks


@dataclass(frozen=True, slots=True)
class _Job:
    """A refit to make, with what it is made from."""

    variation: Variation
    settings: Settings
    records: Records
    pool: Pool
    is_same: bool


def _jobs(
    fitted: _Fitted, pending: list[Variation], progress: Progress
) -> tuple[list[_Job], set[Any]]:
    """Prepare refits, those that share a compiled model first; and the shapes they share."""
    from models.data import pack_pool
    from models.refits.base import is_alike
    from models.refits.rederive import derive_records
    from models.refits.sampling import likeness

    settings = [variation.change_settings(fitted.settings) for variation in pending]
    changed = [k for k, own in enumerate(settings) if own != fitted.settings]
    records = [fitted.records] * len(pending)
    if changed:
        derived = derive_records(fitted.study.store_path, [settings[k] for k in changed], progress)
        for k, made in zip(changed, derived, strict=True):
            records[k] = made
    jobs = []
    for variation, own, given in zip(pending, settings, records, strict=True):
        varied = variation.change_records(given)
        pool = pack_pool(varied.colony_winters, varied.mite_samples, own)
        is_same = not variation.changes_model and is_alike(pool, fitted.pool)
        jobs.append(_Job(variation, own, varied, pool, is_same))
    counts = Counter(
        likeness(job.pool) for job in jobs if not job.is_same and not job.variation.changes_model
    )
    shared = {shape for shape, n in counts.items() if n >= LEAST_SHARED}
    jobs.sort(key=lambda job: (not job.is_same, -counts[likeness(job.pool)]))
    return jobs, shared


def _do(fitted: _Fitted, job: _Job, is_shared: bool, progress: Progress) -> Found:
    from models.refits.base import BUDGET, Found, own_answers
    from models.refits.sampling import refit_pool

    begun, variation = time.monotonic(), job.variation
    if job.is_same:
        own = own_answers(fitted.estimands)
        rows = [
            {**_own_row(own[outcome]), "n_units": len(job.pool.observed[outcome].rows)}
            for outcome in variation.outcomes
            if outcome in own
        ]
        told: dict[str, Any] = {"is_same": True}
    else:
        rows, told = refit_pool(
            variation,
            job.pool,
            job.records,
            job.settings,
            fitted.contrast,
            BUDGET,
            progress,
            is_shared=is_shared,
        )
    return Found(
        variation.name,
        variation.check,
        variation.words,
        _fingerprint(fitted, variation.name, job.settings),
        rows,
        variation.told | told,
        round(time.monotonic() - begun, 1),
    )


def _own_row(row: dict[str, Any]) -> dict[str, Any]:
    from models.refits.base import ROWS_SCHEMA

    return {name: row.get(name) for name in ROWS_SCHEMA} | {"reason": ""}


def _do_autumn(fitted: _Fitted, progress: Progress) -> Found:
    from models.refits.autumn_strength import refit_autumn_strength
    from models.refits.base import AUTUMN_STRENGTH, BUDGET, Found

    begun = time.monotonic()
    row, told = refit_autumn_strength(
        fitted.pool,
        fitted.records,
        fitted.set_ups,
        fitted.settings.model,
        fitted.contrast,
        BUDGET,
        progress,
    )
    return Found(
        AUTUMN_STRENGTH,
        AUTUMN_STRENGTH,
        "the study's own records",
        _fingerprint(fitted, AUTUMN_STRENGTH, fitted.settings),
        [row],
        told,
        round(time.monotonic() - begun, 1),
    )


def _is_asked(only: str | None, name: str, check: str) -> bool:
    return only is None or only in (name, check)


def refit_study(path: Path, only: str | None, progress: Progress) -> RefitSummary:
    """Make every refit that is missing or out of date, one after another.

    Parameters
    ----------
    path : Path
        The study folder.
    only : str, optional
        The name of one check, or of one refit; all otherwise.
    progress : Progress

    Returns
    -------
    RefitSummary

    Raises
    ------
    StudyError
        There is no fit, or it is out of date, or ``only`` is no name of a refit.
    NotConvergedError
        The fit did not pass its gates.
    ModelError
        The fit has no answer.
    StoreInUseError
        Another command is at work on the study's results.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    with Lock.held(study.step_lock_path):
        return _refit(_load(study, settings), only, progress)


def _refit(fitted: _Fitted, only: str | None, progress: Progress) -> RefitSummary:
    from models.refits.base import AUTUMN_STRENGTH
    from models.refits.choices import choice_variations
    from models.refits.cut import cut_variation
    from models.refits.dose import dose_variation
    from models.refits.subsets import (
        MOST_LEFT_OUT,
        WITHOUT_ONE,
        left_out_variations,
        subset_variations,
    )
    from models.trial.as_assigned import drawn_variation

    folder = fitted.study.results_path / FOLDER
    variations = [*subset_variations(fitted.pool), *drawn_variation(fitted.drawn)]
    variations += [*choice_variations(), dose_variation(), cut_variation()]
    ranks = [f"{WITHOUT_ONE}_{rank}" for rank in range(1, MOST_LEFT_OUT + 1)]
    known = {v.name: v.check for v in variations} | dict.fromkeys(ranks, WITHOUT_ONE)
    known |= {AUTUMN_STRENGTH: AUTUMN_STRENGTH}
    if only is not None and only not in {*known, *known.values()}:
        raise StudyError(
            f"There is no refit called {only!r}.",
            mend=f"Use one of: {', '.join(sorted({*known, *known.values()}))}.",
        )
    wanted = {v.name: v.change_settings(fitted.settings) for v in variations}
    wanted |= dict.fromkeys([*ranks, AUTUMN_STRENGTH], fitted.settings)
    founds: dict[str, Found] = {}
    for name, settings in wanted.items():
        found = _read_found(folder / f"{name}.json")
        if found is not None and found.fingerprint == _fingerprint(fitted, name, settings):
            founds[name] = found
    n_open = _read_plan(folder, fitted.digest)
    pending = [v for v in variations if v.name not in founds and _is_asked(only, v.name, v.check)]
    is_known = n_open is not None and all(r in founds for r in ranks[:n_open])
    if not is_known and any(_is_asked(only, rank, WITHOUT_ONE) for rank in ranks):
        with progress.task("finding whom reweighting could not judge"):
            left_out, n_open = left_out_variations(_evidence(fitted))
        pending += [
            v for v in left_out if v.name not in founds and _is_asked(only, v.name, v.check)
        ]
    made = []

    def write() -> list[Check]:
        every = list(founds.values())
        return write_refits(folder, fitted.digest, fitted.estimands, every, n_open)

    def keep(found: Found) -> list[Check]:
        founds[found.name] = found
        made.append(found.name)
        return write()

    checks = write()
    for name in wanted.keys() - founds.keys():  # of another fit or of other rules
        (folder / f"{name}.json").unlink(missing_ok=True)
    with_autumn = AUTUMN_STRENGTH not in founds and _is_asked(only, AUTUMN_STRENGTH, "")
    total = len(pending) + with_autumn
    if with_autumn:
        with progress.task(f"refit 1 of {total}: an outcome the set-up cannot have made"):
            found = _do_autumn(fitted, SILENT)
        checks = keep(found)
    if pending:
        from models.refits.sampling import likeness

        jobs, shared = _jobs(fitted, pending, progress)
        for k, job in enumerate(jobs, start=1 + with_autumn):
            is_shared = not job.variation.changes_model and likeness(job.pool) in shared
            with progress.task(f"refit {k} of {total}: {job.variation.words}"):
                found = _do(fitted, job, is_shared, SILENT)
            checks = keep(found)
    order = {name: k for k, name in enumerate(wanted)}
    return RefitSummary(made, sorted(founds.values(), key=lambda f: order[f.name]), checks)
