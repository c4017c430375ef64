"""The command line as a coordinator meets it."""

from __future__ import annotations

import re
import subprocess
import sys
from contextlib import chdir
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from pipeline.cli import app
from tests.e2e.conftest import DemoRun, run_here, run_winterpool

COMMANDS = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
APIARIES = "apiary_id,member_id\nhome,m1\n"
COLONIES = "colony_id,apiary_id,frames_max\nh1,home,20\n"


@pytest.fixture
def study(tmp_path: Path) -> Path:
    path = tmp_path / "our winters"
    done = run_here("new", path)
    assert done.returncode == 0, done.stderr
    return path


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_shows_an_example(command: str) -> None:
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0
    assert f"Example: winterpool {command}" in done.output


def test_help_needs_no_heavy_library() -> None:
    asked = "import sys, pipeline.cli; print(sorted(set(sys.modules) & set(sys.argv[1:])))"
    heavy = ("polars", "duckdb", "numpy", "pymc", "matplotlib", "xarray")
    found = subprocess.check_output([sys.executable, "-c", asked, *heavy], text=True)
    assert found.strip() == "[]"


def test_new_makes_a_study_that_can_be_filled(study: Path) -> None:
    assert (study / "study.toml").is_file()
    assert {p.name for p in study.iterdir() if p.is_dir()} >= {
        "inbox",
        "mappings",
        "weather",
        "templates",
    }
    assert list((study / "templates").glob("*.xlsx"))


def test_a_second_new_is_refused(study: Path) -> None:
    done = run_here("new", study)
    assert done.returncode == 3
    assert "is a study already" in done.stderr
    assert "Traceback" not in done.stderr


def test_status_of_an_empty_study_says_what_to_do(study: Path) -> None:
    done = run_here("status", study)
    assert done.returncode == 0
    assert "Nothing is loaded yet" in done.stdout


def test_blank_templates_check_clean(study: Path) -> None:
    blank = [p for p in sorted((study / "templates").iterdir()) if "form" not in p.name]
    done = run_here("check", *blank)
    assert done.returncode == 0, done.stdout + done.stderr


def test_check_prints_each_problem_and_fails(study: Path, tmp_path: Path) -> None:
    file = tmp_path / "weighings.csv"
    file.write_text(
        "colony_id,weighed_on,gross_kg,method\nh1,2023-10-10,480,scale\nh1,2023-10-11,31.5,scale\n"
    )
    done = run_winterpool("check", file)
    assert done.returncode == 1
    (problem,) = [line for line in done.stdout.splitlines() if "weighings.csv" in line]
    assert ",2,gross_kg,480," in problem
    assert not list(study.glob("store*"))


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("run", "nowhere"), 3, "is not a study folder"),
        (("check", "missing.csv"), 4, "missing.csv"),
        (("prepare", "nowhere"), 3, "is not a study folder"),
        (("demo", "x", "--size", "huge"), 2, "huge"),
    ],
)
def test_wrong_use_gets_a_sentence(
    arguments: tuple[str, ...], code: int, words: str, tmp_path: Path
) -> None:
    with chdir(tmp_path):
        done = run_here(*arguments)
    assert done.returncode == code, done.stderr
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_steps_out_of_order_say_which_comes_first(study: Path) -> None:
    for step in ("prepare", "fit", "report"):
        done = run_here(step, study)
        assert done.returncode == 3
        assert "Nothing has been loaded" in done.stderr


def test_unknown_setting_is_named(study: Path) -> None:
    (study / "study.toml").write_text("[model]\nsede = 3\n")
    done = run_here("run", study)
    assert done.returncode == 3
    assert "'sede'" in done.stderr and "seed" in done.stderr


def test_a_pool_without_set_ups_still_gets_its_report(study: Path) -> None:
    (study / "inbox" / "apiaries.csv").write_text(APIARIES)
    (study / "inbox" / "colonies.csv").write_text(COLONIES)
    (study / "inbox" / "outcomes.csv").write_text(
        "colony_id,winter,checked_on,state\nh1,2022,2023-04-20,alive\n"
    )
    done = run_winterpool("run", study, "--quiet")
    assert done.returncode == 0, done.stderr
    page = (study / "report" / "index.html").read_text(encoding="utf-8")
    assert "cannot be estimated from these records, because" in re.sub(r"\s+", " ", page)


def test_demo_prints_truth_beside_estimates(demo_run: DemoRun) -> None:
    assert "invented" in demo_run.stdout
    assert re.search(r"survival .*full vs none", demo_run.stdout)
    assert (demo_run.path / "report" / "index.html").stat().st_size > 50_000
    for name in ("estimands.csv", "gates.csv", "run.json", "posterior.nc"):
        assert (demo_run.path / "results" / name).stat().st_size > 0


def test_a_run_with_nothing_changed_does_nothing(demo_run: DemoRun) -> None:
    done = run_winterpool("run", demo_run.path, "--quiet")
    assert done.returncode == 0, done.stderr
    for step in ("prepare", "fit", "report"):
        assert f"{step}: up to date" in done.stdout


def test_status_tells_who_sent_what_and_what_was_rejected(demo_run: DemoRun) -> None:
    done = run_winterpool("status", demo_run.path)
    assert done.returncode == 0, done.stderr
    for words in ("Files", "Records", "Members", "Rejected", "up to date"):
        assert words in done.stdout
    assert "out of date" not in done.stdout
