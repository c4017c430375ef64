"""An invented study for tests of the report: a store and results with made-up numbers.

Nothing here is fitted: the results only have the files' documented columns, so that the
report can be developed and tested without running the pipeline or the sampler.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.contracts import load_contracts, load_derived_contracts
from pipeline.settings import Settings, render_settings
from pipeline.store import Store
from tests.report_results import LEVELS, write_results

HOSTILE = '<script>alert("x")</script> **bold** [l](http://a.test) | `{python} 1/0` @fig-no :::'
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
                        "likely_cause": None
                        if is_alive or is_disaster
                        else ("mites", "starvation", "unknown")[c % 3],
                        "survival_reason": "lost to disaster" if is_disaster else None,
                        "spring_strength_frames": frames if is_alive and not is_disaster else None,
                        "spring_strength_reason": "did not survive"
                        if is_disaster or not is_alive
                        else None,
                        "condensation_risk_h": float(rng.gamma(4, 40)) if m % 3 == 0 else None,
                        "condensation_measured_h": 3600 if m % 3 == 0 else 0,
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


def winter_survival(units: pl.DataFrame) -> pl.DataFrame:
    """How each unit ended: the dead found in February, the others checked in April."""
    rows = []
    for unit in units.to_dicts():
        year, is_alive = unit["winter"] + 1, unit["is_alive"]
        state = "lost to disaster" if unit["is_disaster"] else "alive" if is_alive else "dead"
        gone = None if state == "alive" else date(year, 2, 1 + len(rows) % 28)
        names = ("colony_id", "winter", "is_alive", "is_disaster", "likely_cause")
        rows.append(
            {
                **{name: unit[name] for name in names},
                "is_at_risk": True,
                "state": state,
                "checked_on": date(year, 4, 10),
                "death_found_on": gone,
                "lost_on": gone,
            }
        )
    return _frame(rows, "winter_survival")


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
        store.replace_table("winter_survival", winter_survival(units))
        store.replace_table("sensor_days", sensor_days(units))
        store.replace_table("stage_accounts", stage_accounts(units))
        store.replace_table("mite_samples", mite_samples(rng, units))
    if kind != "no fit":
        write_results(path / "results", kind=kind)
    return path
