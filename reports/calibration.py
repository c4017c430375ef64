"""How the model fared where the truth is known: the kept results of ``winterpool calibrate``.

They belong to the version of the program, not to the study at hand, and everything in them is
invented.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from models.calibration.results import KEPT, coverage_mc_error
from models.calibration.scenarios import ORDINARY, SCENARIOS
from models.calibration.uniformity import compare_with_uniform
from models.vocabulary import OUTCOMES
from reports.figures import FAINT, INK, LEFT, house_style, new_figure
from reports.figures import KEPT as BLUE
from reports.tables import Column
from reports.wording import count, listed, number

GROUPS = ("contrasts", "coefficients", "spreads", "others")
WANTED = 200  # replicates that a release figure asks for
GOAL = 4.0  # points between what an interval holds and what it says
SHARE_OUTSIDE = 0.05  # of truly uniform quantities that leave a 95 % band

SCENARIO_COLUMNS = {
    "scenario": "Scenario",
    "outcome": "Outcome",
    "n": Column("Fitted"),
    "n_refused": Column("Refused"),
    "truth": Column("Truth", 2),
    "bias_ours": Column("ours", 2, "Bias"),
    "bias_mc_error": Column("± error", 2, "Bias"),
    "bias_naive": Column("raw", 2, "Bias"),
    "coverage_95": Column("95 % held", 0),
}
COVERAGE_COLUMNS = {
    "outcome": "Outcome",
    "n": Column("Associations"),
    "coverage_50": Column("50 %", 1, "Intervals that held the truth [%]"),
    "coverage_89": Column("89 %", 1, "Intervals that held the truth [%]"),
    "coverage_95": Column("95 %", 1, "Intervals that held the truth [%]"),
    "bias_ours": Column("ours", 2, "Bias"),
    "bias_naive": Column("raw", 2, "Bias"),
}
RANK_COLUMNS = {
    "quantity": "Quantity",
    "n": Column("Replicates"),
    "p_value": Column("Chi-square p", 3),
    "largest_difference": Column("Largest difference", 3),
    "is_inside": "Within the band",
}


@dataclass(frozen=True, slots=True)
class Calibration:
    """The kept results; an empty frame where a kind was not run.

    Attributes
    ----------
    ranks : polars.DataFrame
        ``sbc.csv``: a row for every quantity ranked.
    scenarios : polars.DataFrame
        ``scenarios.csv``: a row for every scenario and outcome.
    facts : dict
        ``results.json``.
    """

    ranks: pl.DataFrame
    scenarios: pl.DataFrame
    facts: dict


def load_calibration(folder: Path = KEPT) -> Calibration:
    """Read the kept results; what was not run is empty."""

    def table(name: str) -> pl.DataFrame:
        path = folder / f"{name}.csv"
        if not path.exists():
            return pl.DataFrame()
        return pl.read_csv(path, schema_overrides={"ranks": pl.String}, infer_schema_length=None)

    facts = folder / "results.json"
    said = json.loads(facts.read_text(encoding="utf-8")) if facts.exists() else {}
    return Calibration(table("sbc"), table("scenarios"), said)


def _group(quantity: str) -> str:
    if "spread of" in quantity:
        return "spreads"
    if " vs " in quantity:
        return "contrasts"
    return "coefficients" if " | " in quantity else "others"


def ranks_of(row: dict) -> np.ndarray:
    """Ranks of one quantity, as integers."""
    return np.array([int(rank) for rank in row["ranks"].split()])


def _draw_group(axes: Axes, rows: list[dict]) -> None:
    compared = [compare_with_uniform(ranks_of(r), r["ranks_of"]) for r in rows]
    first = compared[0]
    axes.fill_between(first.at, first.lower, first.upper, color="#DDE6EE", lw=0, step="post")
    axes.axhline(0.0, color=FAINT, lw=0.8)
    for own in compared:
        colour, width, line = (BLUE, 0.8, "-") if own.is_inside else (INK, 1.8, "--")
        axes.step(own.at, own.difference, where="post", color=colour, lw=width, ls=line)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylabel("difference")


def rank_figure(calibration: Calibration) -> tuple[Figure, str]:
    """ECDF differences of the ranks with their simultaneous 95 % band, and the alt text."""
    rows = calibration.ranks.to_dicts()
    groups = [g for g in GROUPS if any(_group(r["quantity"]) == g for r in rows)]
    with house_style():
        figure, panels = new_figure(1.0 + 1.6 * len(groups), rows=max(len(groups), 1))
        for axes, group in zip(panels, groups, strict=False):
            own = [row for row in rows if _group(row["quantity"]) == group]
            _draw_group(axes, own)
            left = sum(not row["is_inside"] for row in own)
            axes.set_title(f"{group.capitalize()}: {len(own)}, {left or 'none'} outside")
        panels[-1].set_xlabel("rank of the truth among the draws, as a share")
        figure.supxlabel("invented data", x=0.995, ha="right", size=8, color=LEFT)
    outside = [row["quantity"] for row in rows if not row["is_inside"]]
    told = f"Outside: {listed(outside)}." if outside else "None leaves it."
    alt = (
        f"Invented data: differences between the cumulative ranks of {len(rows)} quantities and "
        f"the uniform distribution, in {len(groups)} panels, each with the band in which 95 % of "
        f"uniform samples stay. {told}"
    )
    return figure, alt


def rank_sentence(calibration: Calibration) -> str:
    """Say over how many replicates, and how many quantities left their band."""
    ranks = calibration.ranks
    if ranks.is_empty():
        return "No simulation-based calibration is kept with this version."
    rows = ranks.to_dicts()
    n, outside = max(r["n"] for r in rows), sum(not r["is_inside"] for r in rows)
    run = calibration.facts.get("runs", {}).get("sbc", {})
    least = number(min(r["p_value"] for r in rows), 3)
    apart = run.get("r_hat_above_1.05", 0)
    return (
        f"Over {count(n, 'replicate')} ({WANTED} are the goal), {outside} of {ranks.height} "
        "quantities left the band that a uniform one leaves in 5 % of cases, "
        f"{number(SHARE_OUTSIDE * ranks.height, 1)} were to be expected; the smallest chi-square "
        f"p-value is {least} (with {ranks.height} tests, {number(0.05 / ranks.height, 4)} "
        f"would be remarkable). In {apart} replicates the chains of the small budget agreed less "
        "well than an R-hat of 1.05; they are counted all the same."
    )


def rank_table(calibration: Calibration) -> pl.DataFrame:
    """The quantities ranked, the least uniform first."""
    if calibration.ranks.is_empty():
        return calibration.ranks
    return calibration.ranks.sort("p_value").select(*RANK_COLUMNS)


def coverage_table(calibration: Calibration) -> pl.DataFrame:
    """How often intervals held the truth of the ordinary scenario, an outcome a row."""
    if calibration.scenarios.is_empty():
        return calibration.scenarios
    rows = calibration.scenarios.filter(scenario=ORDINARY)
    return rows.with_columns(n=pl.col("n") - pl.col("n_refused")).select(*COVERAGE_COLUMNS)


def coverage_sentence(calibration: Calibration) -> str:
    """Say over how many associations, and what chance alone does to such a share."""
    rows = coverage_table(calibration)
    if rows.is_empty():
        return "No coverage over associations with a fixed truth is kept with this version."
    n = min(row["n"] for row in rows.to_dicts())
    errors = [f"{number(coverage_mc_error(p, n), 1)} at {p} %" for p in (50, 89, 95)]
    worst = max(abs(row[f"coverage_{p}"] - p) for row in rows.to_dicts() for p in (50, 89, 95))
    return (
        f"Over {count(n, 'invented association')} at least. The largest distance from what an "
        f"interval says is {number(worst, 1)} points; chance alone gives a standard error of "
        f"{listed(errors)}. The goal is {GOAL:.0f} points, which needs about {WANTED} associations "
        f"to be seen. {_missed(rows)}"
    ).rstrip()


def _missed(rows: pl.DataFrame) -> str:
    """Say which outcome's intervals miss the goal, and which way."""
    said = []
    for row in rows.to_dicts():
        held = {percent: row[f"coverage_{percent}"] for percent in (50, 89, 95)}
        off = {percent: share - percent for percent, share in held.items()}
        missed = [p for p in held if abs(off[p]) > GOAL]
        if missed:
            told = listed([f"{p} % held {number(held[p], 1)} %" for p in missed])
            width = "too wide" if off[missed[-1]] > 0 else "too narrow"
            said.append(f"{row['outcome']} ({width}: {told})")
    return f"It is missed for {listed(said)}." if said else "It is met."


def scenario_table(calibration: Calibration) -> pl.DataFrame:
    """Bias and coverage beside the raw contrast's, a row for every scenario and outcome."""
    if calibration.scenarios.is_empty():
        return calibration.scenarios
    rows = calibration.scenarios.filter(pl.col("scenario") != ORDINARY)
    return rows.with_columns(n=pl.col("n") - pl.col("n_refused")).select(*SCENARIO_COLUMNS)


def scenario_sentences() -> list[str]:
    """What should happen in each scenario, and which failures are known."""
    note = {"known failure": " A known failure.", "refused": "", "covered": ""}
    return [f"**{s.name}**: {s.expectation}{note[s.outcome]}" for s in SCENARIOS]


def units_sentence() -> str:
    """Units of the tables' bias, by outcome."""
    units = dict(zip(OUTCOMES, ("kg saved", "points", "frames"), strict=True))
    return "Truth and bias in " + listed([f"{unit} ({o})" for o, unit in units.items()]) + "."
