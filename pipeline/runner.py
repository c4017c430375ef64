"""Which step of a study is out of date, and doing only that.

Each step leaves a fingerprint of everything its result depends on (inputs by content,
the settings it reads, the code that made it) in ``results/steps.json``. A step whose
fingerprint is unchanged and whose output is there is not done again.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.disk import disk_errors
from pipeline.errors import NotConvergedError, StudyError
from pipeline.ingest import IngestSummary, ingest_study
from pipeline.lock import Lock
from pipeline.progress import Progress
from pipeline.settings import Settings, read_settings
from pipeline.sources import source_digest
from pipeline.store import Store
from pipeline.study import Study

STEPS = ("prepare", "fit", "report")

_CODE_OF_STEP = {
    "prepare": ("data_contracts", "pipeline/stages", "pipeline/physics"),
    "fit": ("models", "pipeline/fit_step.py"),
    "report": ("data_contracts", "models", "reports", "pipeline/payoff_step.py"),
}
# what is made of a fit, or tries the model on invented pools: a change there leaves the fit valid
_NOT_OF_THE_FIT = ("calibration", "payoff", "refits", "synthesis", "trial")
_SETTINGS_OF_STEP = {
    "prepare": ("study", "winter", "levels", "stores"),
    "fit": ("winter", "levels", "model"),
    "report": ("study", "winter", "levels", "stores", "model", "payoff", "report"),
}
_PREPARED = "prepared"
"""The derived table that says of what the derived tables were made, in the store itself."""
_NOT_FILES_OF_FIT = ("steps.", "payoff", "precision", "trial", ".")
_SOON_READ_BYTES = 4_000_000


@dataclass(frozen=True, slots=True)
class StepDone:
    """What a step did: whether it ran or was up to date, and how long it took [s]."""

    step: str
    has_run: bool
    seconds: float


def _digest(*parts: bytes | str) -> str:
    total = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        total.update(len(data).to_bytes(8, "big"))
        total.update(data)
    return total.hexdigest()


def code_fingerprint(step: str) -> str:
    """Digest of the source files that make a step's result."""
    without = _NOT_OF_THE_FIT if step == "fit" else ()
    return source_digest(*_CODE_OF_STEP[step], without=without)


def _settings_fingerprint(step: str, settings: Settings) -> str:
    used = {name: asdict(getattr(settings, name)) for name in _SETTINGS_OF_STEP[step]}
    return json.dumps(used, sort_keys=True)


def table_fingerprint(frame: pl.DataFrame) -> str:
    """Digest of a table's column names, types and values, in their order."""
    types = ", ".join(f"{name} {kind}" for name, kind in frame.schema.items())
    return _digest(types, frame.write_csv())


def _read_steps(study: Study) -> dict[str, Any]:
    try:
        found = json.loads(study.steps_path.read_text(encoding="utf-8"))
    except (FileNotFoundError, json.JSONDecodeError, UnicodeDecodeError):
        return {}
    return found if isinstance(found, dict) else {}


def _note_step(study: Study, step: str, fingerprint: str, seconds: float) -> None:
    steps = _read_steps(study)
    files = {p.relative_to(study.path).as_posix(): p for p in _files_of_step(step, study)}
    steps[step] = {
        "fingerprint": fingerprint,
        "files": {name: _mark_of(path) for name, path in sorted(files.items())},
        "finished_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "seconds": round(seconds, 2),
    }
    study.results_path.mkdir(parents=True, exist_ok=True)
    draft = study.steps_path.with_suffix(".partial")
    draft.write_text(json.dumps(steps, indent=2) + "\n", encoding="utf-8")
    os.replace(draft, study.steps_path)


def _stored(study: Study, *tables: str) -> list[pl.DataFrame]:
    study.require_loaded()
    with Store.open(study.store_path, read_only=True) as store:
        missing = [name for name in tables if not store.has_table(name)]
        if missing:
            raise StudyError(
                f"The table {missing[0]} has not been built in {study.path}.",
                mend="Run: winterpool prepare STUDY.",
            )
        return [store.table(name) for name in tables]


def _logger_tables(study: Study) -> tuple[()] | tuple[pl.DataFrame, pl.DataFrame]:
    """Features of every logger, and days of those in the brood nest; nothing without tables."""
    with Store.open(study.store_path, read_only=True) as store:
        if not (store.has_table("sensor_features") and store.has_table("sensor_days")):
            return ()
        days = store.connection.sql(
            "FROM sensor_days WHERE position = 'brood nest' ORDER BY colony_id, observed_on"
        ).pl()
        return store.table("sensor_features"), days


def step_fingerprint(step: str, study: Study, settings: Settings) -> str:
    """Digest of everything the result of a step depends on.

    Raises
    ------
    StudyError
        An earlier step has not been done.
    """
    if step == "prepare":
        inputs = [table_fingerprint(t.drop("ingested_at")) for t in _stored(study, "files")]
    elif step == "fit":
        tables = [*_stored(study, "colony_winters", "mite_samples"), *_logger_tables(study)]
        inputs = [table_fingerprint(t) for t in tables]
    else:
        steps = _read_steps(study)
        inputs = [str(steps.get(s, {}).get("fingerprint")) for s in ("prepare", "fit")]
        inputs += [table_fingerprint(t.drop("ingested_at")) for t in _stored(study, "files")]
        if study.results_path.exists():
            found = [*study.results_path.glob("*.csv"), *study.results_path.glob("refits/*.csv")]
            inputs += [_digest(p.read_bytes()) for p in sorted(found)]
    return _digest(code_fingerprint(step), _settings_fingerprint(step, settings), *inputs)


def _has_output(step: str, study: Study) -> bool:
    noted = _read_steps(study).get(step, {})
    if step == "prepare":
        with Store.open(study.store_path, read_only=True) as store:
            if not store.has_table("colony_winters"):
                return False
            if not store.has_table(_PREPARED):  # by hand, or before marks were left
                return True
            return bool(store.table(_PREPARED)["fingerprint"].item() == noted.get("fingerprint"))
    if step == "fit":
        is_there = (study.results_path / "estimands.csv").exists()
        return is_there and not changed_outputs(study, noted)
    return study.report_page.exists() and not changed_outputs(study, noted)


def changed_outputs(study: Study, noted: dict[str, Any]) -> list[str]:
    """Files of a step that are gone or not as the step wrote them, as paths within the study."""
    found = noted.get("files", {})
    return [name for name, mark in found.items() if _mark_of(study.path / name) != mark]


def _mark_of(path: Path) -> str:
    """The size of a file, and the digest of one that is soon read."""
    if not path.is_file():
        return ""
    size = path.stat().st_size
    return f"{size} {_digest(path.read_bytes())}" if size <= _SOON_READ_BYTES else str(size)


def _files_of_step(step: str, study: Study) -> list[Path]:
    if step == "fit":
        found = [*study.results_path.glob("*"), *study.results_path.glob("checks/*")]
        return [p for p in found if p.is_file() and not p.name.startswith(_NOT_FILES_OF_FIT)]
    return [study.report_page] if step == "report" else []


def is_current(step: str, study: Study, settings: Settings) -> bool:
    """Whether a step's output is there and made from what is there now."""
    noted = _read_steps(study).get(step, {}).get("fingerprint")
    if noted is None or not study.store_path.exists() or not _has_output(step, study):
        return False
    return bool(noted == step_fingerprint(step, study, settings))


def ingest(path: Path, progress: Progress) -> IngestSummary:
    """Load everything new in a study's inbox and weather folders."""
    study = Study(path)
    settings = read_settings(study.settings_path)
    return ingest_study(study, settings, progress, date.today())


def _prepare(study: Study, settings: Settings, progress: Progress) -> None:
    from pipeline.stages.graph import derive

    _stored(study, "files")
    mark = step_fingerprint("prepare", study, settings)
    with Store.open(study.store_path) as store:
        derive(store, settings, progress)
        store.replace_table(_PREPARED, pl.DataFrame({"fingerprint": [mark]}))


def _fit(study: Study, settings: Settings, progress: Progress) -> None:
    from pipeline.fit_step import FitInputs, fit_study

    colony_winters, mite_samples, set_ups = _stored(
        study, "colony_winters", "mite_samples", "set_ups"
    )
    digests = {
        "colony_winters": table_fingerprint(colony_winters),
        "mite_samples": table_fingerprint(mite_samples),
        "settings": _digest(_settings_fingerprint("fit", settings)),
        "code": code_fingerprint("fit"),
    }
    inputs = FitInputs(colony_winters, mite_samples, set_ups, _logger_tables(study))
    fit_study(inputs, settings, digests, study.results_path, progress)


def require_convergence(path: Path) -> None:
    """Refuse a study whose last fit did not pass its gates.

    Raises
    ------
    NotConvergedError
        A gate failed in every attempt.
    """
    study = Study(path)
    try:
        run = json.loads((study.results_path / "run.json").read_text(encoding="utf-8"))
        has_converged = bool(run["has_converged"])
    except (FileNotFoundError, ValueError, KeyError):
        raise StudyError(
            f"{study.results_path / 'run.json'} is missing or damaged, so nobody knows whether the "
            "fit converged.",
            mend="Run: winterpool fit STUDY.",
        ) from None
    if not has_converged:
        tries = len(run["attempts"]) - 1
        raise NotConvergedError(
            f"The fit did not pass its gates in {tries} attempt{'s' * (tries != 1)}, so the "
            f"report shows no estimates; {study.results_path / 'gates.csv'} lists what failed.",
            mend="Raise draws or retries under [model] in study.toml and run again.",
        )


def read_current_fit(study: Study, settings: Settings) -> dict[str, Any]:
    """Read ``run.json`` of a study whose fit converged and is of what is there now.

    Raises
    ------
    StudyError
        There is no fit, or it is out of date.
    NotConvergedError
        A gate failed in every attempt.
    """
    path = study.results_path / "run.json"
    if not path.exists() or not _has_output("fit", study):
        raise StudyError(
            f"There is no fit of the records in {study.path} yet.",
            mend="Run: winterpool run STUDY, then give this command again.",
        )
    require_convergence(study.path)
    if not is_current("fit", study, settings):
        raise StudyError(
            f"The fit in {study.path} is out of date: records, settings or the program have "
            "changed.",
            mend="Run: winterpool run STUDY, then give this command again.",
        )
    return dict(json.loads(path.read_text(encoding="utf-8")))


def _require_whole_results(study: Study) -> None:
    changed = changed_outputs(study, _read_steps(study).get("fit", {}))
    if changed:
        raise StudyError(
            f"{study.path / changed[0]} is not as the fit wrote it: it is gone, cut off or edited.",
            mend=f"Run: winterpool fit {study.path}, then give this command again.",
        )


def _report(study: Study, settings: Settings, progress: Progress) -> None:
    del settings  # the report reads the study's own
    _stored(study, "colony_winters")
    _require_whole_results(study)
    from reports.render import render_report

    render_report(study.path, progress)


def _reckon(step: str, study: Study, settings: Settings, progress: Progress) -> None:
    """Keep the money beside the estimates before a report tells of both."""
    if step == "report":
        from pipeline.payoff_step import refresh_payoff

        refresh_payoff(study, settings, progress)


_DO: dict[str, Callable[[Study, Settings, Progress], None]] = {
    "prepare": _prepare,
    "fit": _fit,
    "report": _report,
}


def do_step(step: str, path: Path, progress: Progress, *, only_if_stale: bool = False) -> StepDone:
    """Do one step of a study and note its fingerprint.

    Parameters
    ----------
    step : {"prepare", "fit", "report"}
    path : Path
        The study folder.
    progress : Progress
        Where the step shows how far it is.
    only_if_stale : bool
        Skip the step when its output is current.

    Raises
    ------
    WinterpoolError
        As the step itself does.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    if only_if_stale and is_current(step, study, settings):
        return StepDone(step, has_run=False, seconds=0.0)
    begun = time.monotonic()
    with Lock.held(study.step_lock_path), disk_errors(study.path, "step"):
        _reckon(step, study, settings, progress)
        before = step_fingerprint(step, study, settings)
        _DO[step](study, settings, progress)
        seconds = time.monotonic() - begun
        _note_step(study, step, before, seconds)
    return StepDone(step, has_run=True, seconds=seconds)
