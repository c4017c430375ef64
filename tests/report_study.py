"""An invented study for tests of the report: a store and results with made-up numbers.

Nothing here is fitted: the results only have the files' documented columns, so that the
report can be developed and tested without running the pipeline or the sampler.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.contracts import load_contracts, load_derived_contracts
from pipeline.settings import Settings, render_settings
from pipeline.store import Store
from reports.context import QUANTILES

LEVELS = ("none", "top", "partial", "full")
HOSTILE = '<script>alert("x")</script> **bold** [l](http://a.test) | `{python} 1/0` @fig-no :::'
NORMAL_QUANTILES = (-1.96, -1.6, -0.674, 0.0, 0.674, 1.6, 1.96)
NOW = datetime(2025, 6, 1, 12, tzinfo=UTC)


def _frame(rows: list[dict], table: str) -> pl.DataFrame:
    contract = load_derived_contracts()[table]
    return pl.DataFrame(rows, schema=contract.polars_schema)


def colony_winters(rng: np.random.Generator, members: int, *, has_set_ups: bool) -> pl.DataFrame:
    """Units of two winters, six colonies a member, some left out and some lost to disaster."""
    rows = []
    for m in range(members):
        for winter in (2023, 2024):
            for c in range(6):
                level = LEVELS[(c + m) % 4]
                gain = LEVELS.index(level)
                is_out = rng.random() < 0.05
                is_disaster = not is_out and rng.random() < 0.02
                is_alive = bool(rng.random() < 0.74 + 0.04 * gain)
                has_stores = rng.random() < 0.7
                frames = float(np.clip(rng.normal(7 + 0.4 * gain, 2), 1, 18))
                rows.append(
                    {
                        "colony_id": f"H{m:02d}-{c}",
                        "winter": winter,
                        "apiary_id": f"A{m:02d}",
                        "member_id": f"M{m:02d}",
                        "exclusion_reason": "no autumn record"
                        if is_out
                        else None
                        if has_set_ups
                        else "no set-up recorded",
                        "level": level if has_set_ups else None,
                        "insulated_surfaces": (0, 1, 4, 6)[gain] if has_set_ups else None,
                        "conductance_w_per_k": 2.6 - 0.5 * gain if has_set_ups else None,
                        "top_opening": ("open", "closed")[c % 2] if has_set_ups else None,
                        "has_moisture_absorber": c % 3 == 0 if has_set_ups else None,
                        "assignment": "chosen" if has_set_ups else None,
                        "wind_exposure": "moderate",
                        "mite_counts_used": int(c < 3),
                        "was_treated": m % 5 != 0,
                        "cold_kd_per_day": float(rng.normal(11 + winter - 2023, 1)),
                        "degree_days_kd": 2000.0,
                        "weather_coverage": 0.99,
                        "stores_use_kg": float(rng.normal(15 - gain, 3)) if has_stores else None,
                        "stores_reason": None if has_stores else "no spring weighing",
                        "is_alive": None if is_disaster else is_alive,
                        "is_disaster": is_disaster,
                        "survival_reason": "lost to disaster" if is_disaster else None,
                        "spring_strength_frames": frames if is_alive and not is_disaster else None,
                        "spring_strength_reason": "did not survive"
                        if is_disaster or not is_alive
                        else None,
                        "condensation_risk_h": float(rng.gamma(4, 40)) if m % 3 == 0 else None,
                        "sensor_days": 150 if m % 3 == 0 else None,
                        "in_hive_temperature_mean_c": float(rng.normal(14 + gain, 2))
                        if m % 3 == 0
                        else None,
                        "brood_onset_on": date(winter + 1, 2, 1) + timedelta(days=7 * (4 - gain))
                        if m % 3 == 0
                        else None,
                    }
                )
    return _frame(rows, "colony_winters")


def mite_samples(rng: np.random.Generator, units: pl.DataFrame) -> pl.DataFrame:
    """One wash for each unit that was sampled, and a board for every tenth."""
    rows = []
    sampled = units.filter(pl.col("mite_counts_used") > 0)
    for i, row in enumerate(sampled.to_dicts()):
        is_board = i % 10 == 0
        mites = int(rng.negative_binomial(2, 0.2))
        rows.append(
            {
                "colony_id": row["colony_id"],
                "winter": row["winter"],
                "sampled_on": date(row["winter"], 9, 20),
                "method": "sticky board" if is_board else "alcohol wash",
                "sample_no": 1,
                "bees_sampled": None if is_board else 300,
                "mites_counted": mites,
                "board_days": 3.0 if is_board else None,
                "mites_per_100_bees": None if is_board else mites / 3,
                "days_before_reference": 11.0,
                "treatments_between": 0,
            }
        )
    return _frame(rows, "mite_samples")


def sensor_days(units: pl.DataFrame) -> pl.DataFrame:
    """Two positions over three days of every unit with a logger."""
    rows = [
        {
            "colony_id": unit["colony_id"],
            "observed_on": date(unit["winter"], 12, 1 + d),
            "position": position,
            "readings": 24,
            "hours_covered": 24,
            "temperature_mean_c": 12.0 + d,
            "humidity_mean_pct": 60.0,
        }
        for unit in units.filter(pl.col("sensor_days").is_not_null()).to_dicts()
        for d in range(3)
        for position in ("above cluster", "under cover")
    ]
    return _frame(rows, "sensor_days")


def stage_accounts(units: pl.DataFrame) -> pl.DataFrame:
    """The accounts of the last stage."""
    excluded = units["exclusion_reason"].count()
    counts = {"in": units.height, "kept": units.height - excluded, "excluded": excluded}
    head = {"stage": "colony_winters", "counted": "colony-winters"}
    rows = [
        {"line_no": i, **head, "status": status, "reason": None, "n": n}
        for i, (status, n) in enumerate(counts.items(), 1)
    ]
    return _frame(rows, "stage_accounts")


def _fill_records(store: Store, units: pl.DataFrame, hostile: str) -> None:
    provenance = {
        "_file_sha256": "a" * 64,
        "_file_no": 1,
        "_sheet": "",
        "_row": 2,
        "_ingested_at": NOW,
        "_is_superseded": False,
    }

    def put(record: str, rows: list[dict]) -> None:
        contract = load_contracts()[record]
        schema = {**contract.polars_schema, "_file_sha256": pl.String, "_file_no": pl.Int32}
        schema |= {"_sheet": pl.String, "_row": pl.Int64, "_is_superseded": pl.Boolean}
        schema |= {"_ingested_at": pl.Datetime("us", "UTC")}
        frame = pl.DataFrame([{**provenance, **row} for row in rows], schema=schema)
        columns = ", ".join(frame.columns)
        store.connection.register("incoming", frame)
        store.connection.execute(f'INSERT INTO "{record}_rows" ({columns}) FROM incoming')
        store.connection.unregister("incoming")

    apiaries = units.select("apiary_id", "member_id").unique().sort("apiary_id").to_dicts()
    put(
        "apiaries",
        [
            {**a, "latitude": 45.123456, "longitude": -73.987654, "notes": f"SECRET {hostile}"}
            for a in apiaries
        ],
    )
    colonies = units.select("colony_id", "apiary_id").unique().sort("colony_id").to_dicts()
    put("colonies", [{**c, "stock": hostile} for c in colonies])
    put(
        "treatments",
        [
            {"colony_id": c["colony_id"], "applied_on": date(2023, 8, 15), "active_ingredient": a}
            for i, c in enumerate(colonies)
            for a in (["formic acid"] if i % 3 else ["oxalic acid", "thymol"])
        ],
    )
    logged = units.filter(pl.col("sensor_days").is_not_null()).head(80).to_dicts()
    put(
        "sensor_readings",
        [
            {
                "colony_id": u["colony_id"],
                "logged_at": datetime(u["winter"], 12, 1 + d, 6, tzinfo=UTC),
                "position": position,
                "temperature_c": 12.0 + d,
                "humidity_pct": 60.0,
            }
            for u in logged
            for d in range(3)
            for position in ("above cluster", "under cover")
        ],
    )
    put(
        "weighings",
        [
            {
                "colony_id": c["colony_id"],
                "weighed_on": date(2023, 10, 15),
                "gross_kg": 40.0,
                "method": "scale",
                "_is_superseded": i % 20 == 0,
            }
            for i, c in enumerate(colonies)
        ],
    )


def _fill_files(store: Store, hostile: str) -> None:
    files = [
        (1, "a" * 64, f"Anna Example {hostile}.csv", "inbox", 2048, "accepted", 900, 880, 20),
        (2, "b" * 64, "second.xlsx", "inbox", 4096, "accepted", 300, 300, 0),
        (3, "c" * 64, "broken.csv", "inbox", 12, "rejected", 0, 0, 0),
    ]
    for row in files:
        values = [*row, NOW, "broken" if row[5] == "rejected" else None, None, ""]
        store.connection.execute(f"INSERT INTO files VALUES ({', '.join('?' * 13)})", values)
    for i in range(20):
        for rule in ("maximum 250",) if i % 4 else ("maximum 250", "required"):
            store.connection.execute(
                "INSERT INTO rejected_rows VALUES (?, ?, '', ?, 'weighings', 'gross_kg', ?, ?, "
                "'Write the mass in kg.', ?)",
                ["a" * 64, "f.csv", i + 2, f"SECRET {hostile}", rule, NOW],
            )


def _estimate(mean: float, sd: float) -> dict:
    return {
        "mean": mean,
        "sd": sd,
        **{q: mean + z * sd for q, z in zip(QUANTILES, NORMAL_QUANTILES, strict=True)},
    }


def _nothing() -> dict:
    return dict.fromkeys(("mean", "sd", *QUANTILES))


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
                "level_a": a,
                "level_b": b,
                "linking_members": 0 if kind == "no set-ups" else 12,
                "linking_apiaries": 0 if kind == "no set-ups" else 14,
                "is_linked": kind != "no set-ups",
            }
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


def write_study(
    path: Path,
    *,
    kind: str = "full",
    members: int = 20,
    is_invented: bool = True,
    hostile: str = HOSTILE,
    seed: int = 7,
) -> Path:
    """Write a study folder with a filled store and results.

    Parameters
    ----------
    kind : {"full", "no set-ups", "not converged", "no fit"}
        What the results say.
    members : int
        Members; each has six colonies over two winters.
    hostile : str
        Put wherever a member can write free text, to show that it stays inert.
    """
    path.mkdir(parents=True)
    plain = Settings()
    study = replace(
        plain.study,
        name=f"Willow Vale winters {hostile}",
        association="Willow Vale Beekeepers (invented)",
        is_invented=is_invented,
    )
    text = render_settings(replace(plain, study=study))
    (path / "study.toml").write_text(text, encoding="utf-8")
    rng = np.random.default_rng(seed)
    units = colony_winters(rng, members, has_set_ups=kind != "no set-ups")
    with Store.open(path / "store.duckdb") as store:
        _fill_records(store, units, hostile)
        _fill_files(store, hostile)
        store.replace_table("colony_winters", units)
        store.replace_table("sensor_days", sensor_days(units))
        store.replace_table("stage_accounts", stage_accounts(units))
        store.replace_table("mite_samples", mite_samples(rng, units))
    if kind != "no fit":
        write_results(path / "results", kind=kind)
    return path
