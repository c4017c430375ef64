"""Results files with made-up numbers, for tests of the report: nothing here is fitted."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from models.conditions import SCHEMA as CONDITIONS
from models.logged import BROOD, MOISTURE
from models.refits.base import Found, refused_row
from models.refits.choices import choice_variations
from models.tables import MEASURES
from models.vocabulary import OUTCOMES
from reports.context import QUANTILES

LEVELS = ("none", "top", "partial", "full")
NORMAL_QUANTILES = (-1.96, -1.6, -0.674, 0.0, 0.674, 1.6, 1.96)


def _estimate(mean: float, sd: float) -> dict:
    return {
        "mean": mean,
        "sd": sd,
        **{q: mean + z * sd for q, z in zip(QUANTILES, NORMAL_QUANTILES, strict=True)},
    }


def _nothing() -> dict:
    return dict.fromkeys(("mean", "sd", *QUANTILES))


def estimands_of(means: dict[str, float], sd: float) -> pl.DataFrame:
    """Headline rows of ``estimands.csv``: full against none, these winters."""
    return pl.DataFrame(
        [
            {
                "outcome": outcome,
                "contrast": "full vs none",
                "measure": "difference",
                "unit": MEASURES[outcome]["difference"],
                "subgroup": "all",
                "horizon": "these winters",
                **_estimate(mean, sd),
                "n_units": 240,
                "status": "estimated",
            }
            for outcome, mean in means.items()
        ]
    )


def made_up_refit(
    name: str,
    check: str,
    means: dict[str, float],
    *,
    sd: float = 1.0,
    reason: str = "",
    told: dict | None = None,
) -> Found:
    """A refit with these answers; outcomes without one cannot be estimated, for the reason."""
    words = {v.name: v.words for v in choice_variations()}.get(name, name.replace("_", " "))
    rows = []
    for outcome in means if "autumn strength" in means else OUTCOMES:
        unit = "frames" if outcome == "autumn strength" else MEASURES[outcome]["difference"]
        row = refused_row(outcome, 200, reason, unit)
        if outcome in means:
            numbers = {k: v for k, v in _estimate(means[outcome], sd).items() if k in row}
            row |= {**numbers, "r_hat": 1.01, "ess": 400.0, "status": "estimated", "reason": ""}
        rows.append(row)
    return Found(name, check, words, "made up", rows, told or {}, 60.0)


def write_results(path: Path, *, kind: str) -> None:
    """Write the results files: ``full``, ``no set-ups`` or ``not converged``."""
    path.mkdir(parents=True)
    effects = {
        "stores use": ("kg", 1.0, 0.55, 1 / 15),
        "survival": ("points", 3.0, 2.6, 1 / 76),
        "spring strength": ("frames", 0.2, 0.4, 1 / 6),
    }
    estimands, means = [], []
    for outcome, (unit, step, sd, relative) in effects.items():
        for k, level in enumerate(LEVELS):
            sign = -1 if outcome == "stores use" else 1  # estimates tell kilograms saved
            base = {"stores use": 15.0, "survival": 76.0, "spring strength": 5.6}[outcome]
            means.append(
                {
                    "outcome": outcome,
                    "level": level,
                    "n_raw": 60,
                    "raw": base + sign * step * k * 1.5,
                    **_estimate(base + sign * step * k, sd),
                }
            )
            if level == "none":
                continue
            for horizon in ("these winters", "a new winter"):
                for measure in (
                    "difference",
                    "percent" if unit != "points" else "ratio",
                ):
                    for subgroup in ("all", "cold: mild third", "cold: hard third"):
                        mean = step * k * (1 if measure == "difference" else 100 * relative)
                        wide = sd * (1.5 if horizon == "a new winter" else 1)
                        wide *= 1 if measure == "difference" else 100 * relative
                        if measure == "ratio":
                            mean, wide = 1 + mean / 100, wide / 100
                        estimands.append(
                            {
                                "outcome": outcome,
                                "contrast": f"{level} vs none",
                                "measure": measure,
                                "unit": {"percent": "%", "ratio": ""}.get(measure, unit),
                                "subgroup": subgroup,
                                "horizon": horizon,
                                "population": "All analysed colony-winters, the top opening as "
                                "it was.",
                                **_estimate(mean, wide),
                                "p_benefit": {"stores use": 0.96, "survival": 0.9}.get(
                                    outcome, 0.7
                                ),
                                "n_units": 240,
                                "n_members": 20,
                                "status": "estimated",
                                "reason": None,
                            }
                        )
    means += [
        {**row, "outcome": "spring strength among survivors"}
        for row in means
        if row["outcome"] == "spring strength"
    ]
    blocked = {
        "no set-ups": ("cannot be estimated", "no set-ups were recorded."),
        "not converged": ("not converged", "r-hat 1.2"),
    }.get(kind)
    if blocked:
        status, reason = blocked
        none = {**_nothing(), "p_benefit": None, "status": status, "reason": reason}
        estimands = [{**row, **none} for row in estimands]
        means = [{**row, **_nothing()} for row in means]
    if kind == "no set-ups":
        means = []
    pl.DataFrame(estimands, infer_schema_length=None).write_csv(path / "estimands.csv")
    columns = ["outcome", "level", "n_raw", "raw", "mean", "sd", *QUANTILES]
    schema = {c: pl.String if c in ("outcome", "level") else pl.Float64 for c in columns}
    pl.DataFrame(means, schema=schema | {"n_raw": pl.Int64}).drop("sd").write_csv(
        path / "level_means.csv"
    )
    _write_conditions(path, effects, is_blocked=blocked is not None)
    gates = [
        {
            "quantity": quantity,
            "is_headline": is_headline,
            "r_hat": 1.002 if kind != "not converged" else 1.2,
            "ess_bulk": 1800.0,
            "ess_tail": 1500.0,
            "passed": kind != "not converged",
            "threshold": "r_hat < 1.01, ess > 400",
        }
        for quantity, is_headline in (("stores use: full vs none", True), ("member_sd[0]", False))
    ]
    none_gate = {"is_headline": True, "r_hat": None, "ess_bulk": None, "ess_tail": None}
    gates.append({"quantity": "divergences: 0", **none_gate, "passed": True, "threshold": "0"})
    pl.DataFrame(gates, infer_schema_length=None).write_csv(path / "gates.csv")
    pl.DataFrame(
        [
            {
                "outcome": outcome,
                "level_a": a,
                "level_b": b,
                "linking_members": 0 if kind == "no set-ups" else 12,
                "linking_apiaries": 0 if kind == "no set-ups" else 14,
                "is_linked": kind != "no set-ups",
            }
            for outcome in ("any", *effects)
            for i, a in enumerate(LEVELS)
            for b in LEVELS[i + 1 :]
        ]
    ).write_csv(path / "links.csv")
    pl.DataFrame(
        [
            {"part": p, "is_included": True, "n_units": 240, "reason": None}
            for p in ("mites", *effects)
        ],
        schema_overrides={"reason": pl.String},
    ).write_csv(path / "parts.csv")
    run = {"seed": 20240, "versions": {"pymc": "0.0", "python": "3.0"}, "attempts": 1}
    (path / "run.json").write_text(json.dumps(run), encoding="utf-8")
    _write_secondary(path, blocked)


def _write_conditions(path: Path, effects: dict, *, is_blocked: bool) -> None:
    """Full against none gains a little with every step of cold; an open top costs a little."""
    rows = []
    for outcome, (unit, step, sd, _) in effects.items():
        for k in range(9):
            point = {"condition": "cold", "contrast": "full vs none", "value": 8.0 + k}
            rows.append({**point, "outcome": outcome, "unit": unit, **_estimate(step * k / 4, sd)})
        for level in ("none", "full"):
            point = {"condition": "top opening", "contrast": f"{level}: open vs closed"}
            rows.append({**point, "outcome": outcome, "unit": unit, **_estimate(-step / 4, sd)})
    table = pl.DataFrame([] if is_blocked else rows, CONDITIONS, infer_schema_length=None)
    table.write_csv(path / "conditions.csv")


def _write_secondary(path: Path, blocked: tuple[str, str] | None) -> None:
    rows = []
    for outcome, unit, mean, sd in (
        (BROOD, "days", -3.0, 2.0),
        (MOISTURE, "h per 100 d", -400, 90),
    ):
        for k, level in enumerate(LEVELS[1:], start=1):
            row = {
                "outcome": outcome,
                "contrast": f"{level} vs none",
                "measure": "difference",
                "unit": unit,
                **_estimate(k * mean / 3, sd),
                "p_less": 0.9,
                "n_units": 80,
                "n_members": 7,
                "n_left_out": 20,
                "status": "estimated",
                "reason": None,
            }
            if blocked:
                status, reason = blocked
                row |= {**_nothing(), "p_less": None, "status": status, "reason": reason}
            rows.append(row)
    pl.DataFrame(rows, infer_schema_length=None).write_csv(path / "secondary.csv")
    run = {"attempts": [], "problem": ""}
    (path / "secondary_run.json").write_text(json.dumps(run), encoding="utf-8")
