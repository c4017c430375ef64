"""The step that fits: what a broken secondary fit leaves, and that old files go with a new fit."""

from __future__ import annotations

import json
import os
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from models.checks.base import About
from models.fit import fit
from pipeline import fit_step
from pipeline.fit_step import FitInputs, fit_study, try_secondary, write_fit
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.runner import do_step
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import new_study
from tests.fit_files import FIT_FILES

NOTHING = pl.DataFrame()
WITH_LOGGERS = FitInputs(NOTHING, NOTHING, NOTHING, (NOTHING, NOTHING))
RUN = {"attempts": [], "problem": ""}


def die(*_) -> None:
    os._exit(3)


@pytest.fixture
def inputs(tmp_path: Path) -> FitInputs:
    """Tables of a study that has one colony and no winter."""
    study = new_study(tmp_path / "study")
    (study.inbox_path / "apiaries.csv").write_text("apiary_id,member_id\nhome,m1\n")
    (study.inbox_path / "colonies.csv").write_text("colony_id,apiary_id\nh1,home\n")
    ingest_study(study, Settings(), SILENT, date(2025, 1, 1))
    do_step("prepare", study.path, SILENT)
    names = ("colony_winters", "mite_samples", "set_ups", "sensor_features", "sensor_days")
    with Store.open(study.store_path, read_only=True) as store:
        tables = [store.table(name) for name in names]
    return FitInputs(*tables[:3], (tables[3], tables[4]))


@pytest.mark.parametrize("error", [RuntimeError("all chains failed"), MemoryError()])
def test_a_secondary_fit_that_breaks_off_leaves_its_reason(monkeypatch, error):
    def broken(*_):
        raise error

    monkeypatch.setattr("models.secondary.fit_secondary", broken)
    result, run = try_secondary(WITH_LOGGERS, Settings())
    assert result is None
    assert run == {"attempts": [], "problem": f"The fit broke off ({type(error).__name__})."}


def test_before_the_loggers_are_prepared_nothing_is_fitted():
    result, run = try_secondary(FitInputs(NOTHING, NOTHING, NOTHING, ()), Settings())
    assert result is None
    assert run["problem"] == "The tables of the loggers have not been built."


def test_without_loggers_every_secondary_outcome_says_why(inputs):
    result, run = try_secondary(inputs, Settings())
    assert result is not None
    assert set(result.table["status"]) == {"cannot be estimated"}
    assert result.table["reason"].str.starts_with("Cannot be estimated from these records").all()
    assert run == RUN


def test_a_second_process_that_dies_leaves_its_reason(inputs, tmp_path, monkeypatch):
    monkeypatch.setattr(fit_step, "try_secondary", die)
    fit_study(inputs, Settings(), {}, tmp_path / "results", SILENT)
    run = json.loads((tmp_path / "results" / "secondary_run.json").read_text())
    assert run["problem"] == "The fit broke off (its process ended early)."
    assert (tmp_path / "results" / "estimands.csv").exists()
    assert not (tmp_path / "results" / "secondary.csv").exists()


def test_nothing_of_an_earlier_fit_stays(inputs, tmp_path):
    result = fit(inputs.colony_winters, inputs.mite_samples, Settings(), SILENT)
    about = About("a", "A", "Is it?")
    shown = about.judged((), "Yes.", pl.DataFrame({"x": [1]}), "why")
    write_fit(tmp_path, result, [shown], try_secondary(inputs, Settings()))
    (tmp_path / "posterior.nc").write_text("of an earlier fit")
    (tmp_path / "steps.json").write_text("{}")
    (tmp_path / "refits").mkdir()
    (tmp_path / "refits" / "dose.json").write_text("{}")
    assert (tmp_path / "checks" / "a.csv").exists()
    write_fit(tmp_path, result, [about.not_run("Nobody counted.")], (None, RUN))
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == sorted(
        [*FIT_FILES, "checks.csv", "secondary_run.json", "steps.json"]
    )
    assert list((tmp_path / "checks").iterdir()) == []
    assert not (tmp_path / "refits").exists()
