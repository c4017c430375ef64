"""``winterpool publish``: from a study to a bundle, whole or not at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.disk import disk_errors
from pipeline.errors import ModelError, StudyError
from pipeline.lock import Lock
from pipeline.progress import Progress
from pipeline.publishing.about import Facts, write_about
from pipeline.publishing.checksums import WHEN, write_checksums
from pipeline.publishing.coarsen import STEPS, Step
from pipeline.publishing.consent import Consents
from pipeline.publishing.descriptors import write_descriptors, write_json
from pipeline.publishing.licences import find_licence
from pipeline.publishing.pseudonyms import Pseudonyms, study_pseudonyms
from pipeline.publishing.public_report import public_settings, render_public_report
from pipeline.publishing.published_fit import TABLES, fit_published, public_run
from pipeline.publishing.small_cells import Protected, describe_units
from pipeline.publishing.software import LOCK, lock_text, software_versions
from pipeline.publishing.tables import (
    FOLDER,
    Chosen,
    Tables,
    choose_units,
    count_small,
    make_tables,
    write_tables,
)
from pipeline.runner import is_current, require_convergence
from pipeline.settings import Settings, read_settings, render_settings
from pipeline.store import Store
from pipeline.study import Study

PUBLICATION = "publication"
"""Inside the study: the key of the pseudonyms, and the fit of the published records."""


@dataclass(frozen=True, slots=True)
class Published:
    """What was published and what was not.

    Attributes
    ----------
    folder : Path
    consents : Consents
    protected : Protected
    estimands : polars.DataFrame
        Of the published records.
    study_estimands : polars.DataFrame
        Of the study, which nobody but the coordinator should see beside them.
    """

    folder: Path
    consents: Consents
    protected: Protected
    estimands: pl.DataFrame
    study_estimands: pl.DataFrame


def _require_fit(study: Study, settings: Settings) -> None:
    """Refuse a study without a fit that is current, converged and says something."""
    for step in ("prepare", "fit"):
        if not is_current(step, study, settings):
            raise StudyError(
                f"The {step} step of {study.path} has not been done or is out of date.",
                mend="Run: winterpool run STUDY.",
            )
    require_convergence(study.path)
    estimands = pl.read_csv(study.results_path / "estimands.csv", infer_schema_length=None)
    if not (estimands["status"] == "estimated").any():
        raise ModelError(
            f"Nothing can be estimated from the records of {study.path}, so there is no finding.",
            mend="Read the reasons in results/estimands.csv.",
        )


def _require_target(target: Path, study: Study) -> None:
    if target.exists() and not target.is_dir():
        raise StudyError(f"{target} is a file.", mend="Name a folder that does not exist.")
    if target.exists() and any(target.iterdir()):
        raise StudyError(
            f"{target} holds something already.",
            mend="Name a folder that does not exist, or an empty one.",
        )
    if study.path.resolve() in (target.resolve(), *target.resolve().parents):
        raise StudyError(
            f"{target} lies inside the study, whose files must not be published.",
            mend="Name a folder outside the study.",
        )


def _refuse_small(n_small: int, chosen: Chosen, offered: list[Protected], k: int) -> StudyError:
    ways = "; ".join(
        f"--coarser {coarser} --leave-out publishes {kept.units.height:,} and leaves out "
        f"{kept.n_left_out:,}"
        for coarser, kept in enumerate(offered)
    )
    return StudyError(
        f"{n_small:,} of {describe_units(chosen.units)} look like fewer than {k - 1} others, or "
        "like those of one member alone, to somebody who sees over the fence how many colonies "
        f"stand there, how they are insulated and how cold it is. {ways}.",
        mend="Publish less of the place with --coarser 1 or 2, leave those colony-winters out "
        "with --leave-out, or lower smallest_class under [publish] in study.toml.",
    )


def _protected_tables(
    study: Study, settings: Settings, pseudonyms: Pseudonyms, coarser: int, leave_out: bool
) -> tuple[Consents, Tables, Protected]:
    with Store.open(study.store_path, read_only=True) as store:
        colony_winters, members = store.table("colony_winters"), store.table("members")
        mites, envelopes = store.table("mite_samples"), store.table("hive_envelopes")
    k = settings.publish.smallest_class

    def at(step: int) -> tuple[Chosen, int]:
        chosen = choose_units(colony_winters, members, pseudonyms, settings, step)
        return chosen, count_small(chosen, step, k)

    def made(chosen: Chosen, step: int) -> tuple[Tables, Protected]:
        return make_tables(chosen, mites, envelopes, pseudonyms, step, k)

    chosen, n_small = at(coarser)
    if n_small and not leave_out:
        offered = [made(at(step)[0], step)[1] for step in range(len(STEPS))]
        raise _refuse_small(n_small, chosen, offered, k)
    tables, protected = made(chosen, coarser)
    if protected.units.is_empty():
        raise StudyError(
            f"Nothing would be left to publish: of {describe_units(chosen.units)} none looks like "
            f"{k - 1} others.",
            mend="Publish less of the place with --coarser 2, or ask more members to agree.",
        )
    return chosen.consents, tables, protected


@contextmanager
def _taking_place(target: Path) -> Iterator[Path]:
    """Give a draft folder beside the target that becomes the target when the block ends well."""
    target.parent.mkdir(parents=True, exist_ok=True)
    draft = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    try:
        inner = draft / "bundle"
        inner.mkdir()
        yield inner
        if target.exists():
            target.rmdir()
        os.replace(inner, target)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _write_results(fit_folder: Path, folder: Path) -> None:
    folder.mkdir()
    for name in TABLES:
        if (fit_folder / f"{name}.csv").exists():
            shutil.copyfile(fit_folder / f"{name}.csv", folder / f"{name}.csv")
    if (fit_folder / "posterior.nc").exists():
        shutil.copyfile(fit_folder / "posterior.nc", folder / "posterior.nc")
    write_json(folder / "run.json", public_run(fit_folder))


def write_bundle(
    folder: Path,
    tables: Tables,
    protected: Protected,
    settings: Settings,
    fit_folder: Path,
    page: Path,
    finding_on: str,
    step: Step,
) -> None:
    """Write all files of a bundle into an empty folder.

    Parameters
    ----------
    folder : Path
    tables : Tables
    protected : Protected
    settings : Settings
    fit_folder : Path
        Of the fit of ``tables``.
    page : Path
        The rendered report of that fit.
    finding_on : str
        Day of the study's fit.
    step : Step
        How coarse the tables are.
    """
    licence = find_licence(settings.publish.licence)
    versions: dict[str, Any] = software_versions()
    write_tables(tables, folder / FOLDER)
    write_descriptors(folder, tables, settings, licence, step)
    _write_results(fit_folder, folder / "results")
    for name in ("privacy", "report", "environment"):
        (folder / name).mkdir()
    protected.report.write_csv(folder / "privacy" / "small_cells.csv")
    shutil.copyfile(page, folder / "report" / "index.html")
    (folder / "environment" / LOCK).write_text(lock_text(), encoding="utf-8", newline="\n")
    write_json(folder / "environment" / "versions.json", versions)
    text = render_settings(public_settings(settings), commented=False)
    (folder / "settings.toml").write_text(text, encoding="utf-8", newline="\n")
    units = tables.colony_winters
    facts = Facts(
        settings=settings,
        licence=licence,
        finding_on=finding_on,
        versions=versions,
        estimands=pl.read_csv(folder / "results" / "estimands.csv", infer_schema_length=None),
        small_cells=protected.report,
        cold_k=step.cold_k,
        k=settings.publish.smallest_class,
        n_members=units["member_id"].n_unique(),
        n_units=units.height,
        n_left_out=protected.n_left_out,
        n_alone=protected.n_alone,
        n_by_opening=protected.n_by_opening,
    )
    write_about(folder, facts)
    write_checksums(folder)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    (folder / WHEN).write_text(now + "\n", encoding="utf-8", newline="\n")


def publish(
    study_path: Path, target: Path, *, coarser: int, leave_out: bool, progress: Progress
) -> Published:
    """Publish a study.

    Parameters
    ----------
    study_path : Path
    target : Path
        The bundle's folder; it must not exist or be empty.
    coarser : {0, 1, 2}
        How little of the place is published (``coarsen.STEPS``).
    leave_out : bool
        Leave out colony-winters that too few look like, instead of refusing.
    progress : Progress

    Returns
    -------
    Published

    Raises
    ------
    StudyError
        The fit is out of date, nobody agreed, too few look alike, or the target is not free.
    NotConvergedError
        The study's fit, or that of the published records, did not pass its gates.
    ModelError
        There is no finding.
    StoreError
        The disk is full, or another command is at work on the study; there is no bundle.
    """
    target = target.resolve()
    study = Study(study_path)
    settings = read_settings(study.settings_path)
    find_licence(settings.publish.licence)
    _require_target(target, study)
    _require_fit(study, settings)
    place = study.path / PUBLICATION
    pseudonyms = study_pseudonyms(place / "key")
    consents, tables, protected = _protected_tables(study, settings, pseudonyms, coarser, leave_out)
    run = json.loads((study.results_path / "run.json").read_text(encoding="utf-8"))
    with Lock.held(study.step_lock_path), disk_errors(target, "bundle"):
        fit_published(tables, settings, place / "fit", progress)
        with tempfile.TemporaryDirectory(prefix="report-", dir=place) as scratch:
            page = render_public_report(
                tables, settings, place / "fit", Path(scratch) / "study", progress
            )
            with _taking_place(target) as draft:
                write_bundle(
                    draft,
                    tables,
                    protected,
                    settings,
                    place / "fit",
                    page,
                    run["started_at"][:10],
                    STEPS[coarser],
                )
    return Published(
        target,
        consents,
        protected,
        pl.read_csv(place / "fit" / "estimands.csv", infer_schema_length=None),
        pl.read_csv(study.results_path / "estimands.csv", infer_schema_length=None),
    )
