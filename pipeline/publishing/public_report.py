"""The report of the published records: the study's pages over the bundle's tables alone."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.contracts import load_derived_contracts
from pipeline.progress import Progress
from pipeline.publishing.published_fit import TABLES, public_run
from pipeline.publishing.tables import Tables
from pipeline.settings import Settings, StudySettings, render_settings
from pipeline.store import Store
from pipeline.study import Study


def public_settings(settings: Settings) -> Settings:
    """Settings as they are published: how things were reckoned; no place, no limits of files."""
    study = StudySettings(
        name=settings.study.name,
        association=settings.study.association,
        is_invented=settings.study.is_invented,
    )
    return replace(
        Settings(),
        **{
            name: getattr(settings, name)
            for name in ("winter", "levels", "stores", "model", "report", "publish")
        },
        study=study,
    )


def _filled(rows: pl.DataFrame, name: str) -> pl.DataFrame:
    schema = load_derived_contracts()[name].polars_schema
    return rows.select(
        (pl.col(column) if column in rows.columns else pl.lit(None)).cast(kind).alias(column)
        for column, kind in schema.items()
    )


def _stage_account(n_units: int) -> pl.DataFrame:
    rows = [
        {"line_no": i, "stage": "colony_winters", "counted": "colony-winters", "status": s, "n": n}
        for i, (s, n) in enumerate((("in", n_units), ("kept", n_units), ("excluded", 0)), 1)
    ]
    return _filled(pl.DataFrame(rows), "stage_accounts")


def render_public_report(
    tables: Tables, settings: Settings, fit_folder: Path, draft: Path, progress: Progress
) -> Path:
    """Render the report of the published records.

    Parameters
    ----------
    tables : Tables
    settings : Settings
    fit_folder : Path
        Of the published fit.
    draft : Path
        A folder to work in; it must not exist.
    progress : Progress

    Returns
    -------
    Path
        The page, inside ``draft``.
    """
    from reports.render import render_report

    study = Study(draft)
    study.results_path.mkdir(parents=True)
    study.settings_path.write_text(render_settings(public_settings(settings)), encoding="utf-8")
    for name in TABLES:
        if (fit_folder / f"{name}.csv").exists():
            shutil.copyfile(fit_folder / f"{name}.csv", study.results_path / f"{name}.csv")
    if (fit_folder / "checks").exists():
        shutil.copytree(fit_folder / "checks", study.results_path / "checks")
    run = json.dumps(public_run(fit_folder), indent=2)
    (study.results_path / "run.json").write_text(run, encoding="utf-8")
    units, mites = tables.for_fit(settings.winter)
    survival = units.with_columns(is_at_risk=pl.lit(True))
    with Store.open(study.store_path) as store:
        store.replace_table("colony_winters", units)
        store.replace_table("mite_samples", mites)
        store.replace_table("winter_survival", _filled(survival, "winter_survival"))
        store.replace_table("sensor_days", _filled(units.clear(), "sensor_days"))
        store.replace_table("stage_accounts", _stage_account(units.height))
    return render_report(draft, progress)
