"""Whether insulation pays, from a real fit, through the command line and into the report."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import polars as pl
import pytest

from tests.e2e.conftest import DemoRun, run_winterpool


@pytest.fixture(scope="module")
def study(demo_run: DemoRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy: other tests read the demonstration as its run left it."""
    path = tmp_path_factory.mktemp("payoff") / "study"
    shutil.copytree(demo_run.path, path)
    return path


@pytest.fixture(scope="module")
def printed(study: Path) -> str:
    done = run_winterpool("payoff", study, "--quiet")
    assert done.returncode == 0, done.stderr
    assert not done.stderr
    return done.stdout


def test_the_command_tells_the_net_benefit_and_keeps_it(study: Path, printed: str) -> None:
    assert "Net benefit against none, XTS a colony and winter:" in printed
    table = pl.read_csv(study / "results" / "payoff.csv", infer_schema_length=None)
    told = table.filter(pl.col("status") == "estimated")
    assert told.height
    assert (told["q2.5"] < told["mean"]).all()
    assert (told["mean"] < told["q97.5"]).all()
    parts = pl.read_csv(study / "results" / "payoff_parts.csv", infer_schema_length=None)
    sums = parts.drop_nulls("mean").group_by("level").agg(pl.col("mean").sum().alias("sum"))
    main = told.filter(subgroup="all", horizon="these winters").join(sums, on="level")
    assert ((main["mean"] - main["sum"]).abs() < 1e-6).all()
    inputs = pl.read_csv(study / "results" / "payoff_inputs.csv")
    stores = inputs.filter(input="stores per kg").row(0, named=True)
    assert stores["low"] < stores["value"] < stores["high"]


def test_own_prices_change_the_answer_and_nothing_else(
    study: Path, printed: str, tmp_path: Path
) -> None:
    before = (study / "results" / "payoff.csv").read_bytes()
    own = tmp_path / "mine.csv"
    with own.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["item", "winter", "amount", "currency"])
        writer.writerows(
            [[f"insulation {k}", 2025, 900, "XTS"] for k in ("top", "partial", "full")]
        )
    done = run_winterpool("payoff", study, "--quiet", "--prices", own)
    assert done.returncode == 0, done.stderr
    assert "own price, 2025/26" in done.stdout
    assert done.stdout != printed
    assert (study / "results" / "payoff.csv").read_bytes() == before
    own.write_text(own.read_text().replace("XTS", "EUR"), encoding="utf-8")
    mixed = run_winterpool("payoff", study, "--quiet", "--prices", own)
    assert mixed.returncode == 3
    assert "several currencies" in mixed.stderr
    assert "Traceback" not in mixed.stderr


def test_the_report_has_the_payoff_without_another_command(demo_run: DemoRun) -> None:
    page = (demo_run.path / "report" / "index.html").read_text(encoding="utf-8")
    assert 'id="payoff"' in page
    assert "No money figures" not in page
    assert "a colony and winter" in page
    for figure in ("fig-payoff-net", "fig-payoff-horizon", "fig-payoff-turns", "fig-payoff-map"):
        assert f'id="{figure}"' in page, figure


def test_an_empty_study_is_told_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "empty"
    assert run_winterpool("new", path).returncode == 0
    done = run_winterpool("payoff", path, "--quiet")
    assert done.returncode == 3
    assert "Nothing has been loaded" in done.stderr
    assert "winterpool run STUDY" in done.stderr
