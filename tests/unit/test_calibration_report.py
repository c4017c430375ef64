"""The tables of finished replicates and the page that shows them, on made-up replicates."""

from __future__ import annotations

import json

import numpy as np
import polars as pl
import pytest

from models.calibration import results
from models.calibration.results import (
    coverage_mc_error,
    jobs_of,
    summarise,
    summarise_ranks,
)
from models.calibration.scenarios import ORDINARY, PROBABILITIES, SCENARIOS
from models.vocabulary import OUTCOMES
from pipeline.errors import ModelError
from reports.calibration import (
    SCENARIO_COLUMNS,
    coverage_sentence,
    coverage_table,
    load_calibration,
    rank_figure,
    rank_sentence,
    rank_table,
    scenario_sentences,
    scenario_table,
)

Z = (-1.96, -1.598, -0.6745, 0.6745, 1.598, 1.96)


def write(folder, made: list[dict]) -> None:
    folder.mkdir(parents=True)
    for k, one in enumerate(made):
        text = json.dumps({"replicate": k, "code": "made-up", **one})
        (folder / f"{k:05d}.json").write_text(text, encoding="utf-8")


def told(truth: float, mean: float, sd: float = 1.0, naive: float = 3.0) -> dict:
    quantiles = [mean + z * sd for z in Z]
    return {
        "truth": truth,
        "naive": naive,
        "refused": "",
        "mean": mean,
        "sd": sd,
        "quantiles": quantiles,
    }


CHECKS = {"r_hat": 1.01, "ess": 300.0, "divergences": 0}


@pytest.fixture
def out(tmp_path):
    """Made-up replicates: uniform ranks but for one quantity, three estimates and a refusal."""
    rng = np.random.default_rng(5)
    ranks = [
        {
            "ranks": {
                "survival | full vs none": int(rng.integers(0, 100)),
                "stores use | spread of member": int(rng.integers(0, 100)),
                "stores_cv": int(rng.integers(0, 30)),
            },
            "ranks_of": 99,
            **CHECKS,
        }
        for _ in range(60)
    ]
    write(tmp_path / "sbc", ranks)
    means = (0.0, 0.5, 1.8, 5.0)
    ordinary = [{"outcomes": {o: told(0.0, m) for o in OUTCOMES}, **CHECKS} for m in means]
    write(tmp_path / "scenarios" / "ordinary", ordinary)
    refused = {"truth": 1.0, "naive": 2.0, "refused": "Cannot be estimated from these records."}
    write(tmp_path / "scenarios" / "no-overlap", [{"outcomes": dict.fromkeys(OUTCOMES, refused)}])
    return tmp_path


def test_the_tables_by_hand(out):
    written = summarise(out)
    assert [p.name for p in written] == [
        "sbc.csv",
        "replicates.csv",
        "scenarios.csv",
        "results.json",
    ]
    table = pl.read_csv(out / "scenarios.csv")
    row = table.filter(scenario=ORDINARY, outcome="survival").row(0, named=True)
    # errors 0, 0.5, 1.8, 5: in the 50 % interval 2 of 4, in the 89 and 95 % ones 2 and 3 of 4
    assert (row["coverage_50"], row["coverage_89"], row["coverage_95"]) == (50.0, 50.0, 75.0)
    assert row["bias_ours"] == pytest.approx(1.825)
    assert row["bias_naive"] == 3.0
    assert row["rmse_ours"] == pytest.approx(np.sqrt((0.25 + 3.24 + 25) / 4), abs=0.001)
    refused = table.filter(scenario="no overlap", outcome="survival").row(0, named=True)
    assert (refused["n"], refused["n_refused"], refused["coverage_95"]) == (1, 1, None)


def test_only_the_quantity_that_is_not_uniform_is_outside(out):
    summarise(out)
    table = pl.read_csv(out / "sbc.csv")
    assert table.filter(~pl.col("is_inside"))["quantity"].to_list() == ["stores_cv"]
    facts = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert facts["runs"]["sbc"]["replicates"] == 60
    assert facts["runs"]["no overlap"]["fitted"] == 0


def test_ranks_are_kept_so_that_the_verdict_can_be_checked(out):
    summarise(out)
    for row in pl.read_csv(out / "sbc.csv").to_dicts():
        ranks = {row["quantity"]: [int(r) for r in row["ranks"].split()]}
        again = summarise_ranks(ranks, row["ranks_of"]).row(0, named=True)
        assert again == row


def test_nothing_finished_is_said_plainly(tmp_path):
    with pytest.raises(ModelError, match="No replicate has finished"):
        summarise(tmp_path)


def test_kinds_hold_every_scenario_once(tmp_path):
    assert len(jobs_of("sbc", tmp_path, 3)) == 3
    assert {j.folder.name for j in jobs_of("coverage", tmp_path, 2)} == {"ordinary"}
    others = jobs_of("scenarios", tmp_path, 2)
    assert len(others) == 2 * (len(SCENARIOS) - 1)
    assert len({j.path for j in others}) == len(others)
    with pytest.raises(ModelError, match="not a kind of calibration"):
        jobs_of("everything", tmp_path, 1)


def test_the_error_of_a_share_by_hand():
    assert coverage_mc_error(50, 100) == pytest.approx(5.0)
    assert len(PROBABILITIES) == len(Z)


def test_the_page_shows_what_the_tables_say(out):
    summarise(out)
    page = load_calibration(out)
    figure, alt = rank_figure(page)
    assert [a.get_title(loc="left") for a in figure.axes] == [
        "Contrasts: 1, none outside",
        "Spreads: 1, none outside",
        "Others: 1, 1 outside",
    ]
    assert "Outside: stores_cv." in alt
    assert "Over 60 replicates (200 are the goal), 1 of 3 quantities" in rank_sentence(page)
    assert rank_table(page)["quantity"][0] == "stores_cv"
    assert coverage_table(page)["coverage_95"].to_list() == [75.0] * 3
    assert "4 invented associations" in coverage_sentence(page)
    assert set(SCENARIO_COLUMNS) == set(scenario_table(page).columns)
    assert scenario_table(page)["n"].to_list() == [0, 0, 0]
    assert len(scenario_sentences()) == len(SCENARIOS)


def test_what_was_not_run_is_said(tmp_path):
    page = load_calibration(tmp_path)
    assert rank_sentence(page).startswith("No simulation-based calibration")
    assert coverage_sentence(page).startswith("No coverage")
    assert rank_table(page).is_empty() and scenario_table(page).is_empty()


def test_the_command_writes_the_tables_and_names_them(out):
    import typer
    from typer.testing import CliRunner

    from pipeline.cli_calibrate import register

    app = typer.Typer()
    register(app)
    done = CliRunner().invoke(app, [str(out), "--summarise"])
    assert done.exit_code == 0, done.output
    assert done.output.count("Wrote") == 4
    assert results.KEPT.name == "results"
