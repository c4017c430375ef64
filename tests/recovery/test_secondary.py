"""Secondary outcomes on one invented pool of loggers whose truth is known.

Members who insulate also have earlier, drier hives, so that raw means are wrong. Brood is known to
a day, to a gap, only to have come before readings began, or not to have come before they ended.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.logged import BROOD, MOISTURE
from models.secondary import SecondaryResult, fit_secondary, write_secondary
from models.vocabulary import LEVELS
from pipeline.contracts import load_derived_contracts
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings

STEPS = {BROOD: np.array([0.0, -3.0, -5.0, -9.0]), MOISTURE: np.array([0.0, -0.4, -1.2, -2.4])}
FULL = "full vs none"
HOURS = 4800
MIDWINTER = date(2023, 12, 21)


@dataclass(frozen=True)
class Made:
    frames: dict[str, pl.DataFrame]
    truth: dict[tuple[str, str], float]
    raw: dict[tuple[str, str], float]


def make_loggers(seed: int, members: int = 14, hives: int = 10) -> Made:
    """Simulate on its own terms: days and hours drawn one by one, not by the model's code."""
    rng = np.random.default_rng(seed)
    n = members * hives
    member = np.repeat(np.arange(members), hives)
    skill = rng.normal(size=members)[member]
    level = np.clip(np.round(1.5 + 1.0 * skill + rng.normal(0, 1.1, n)), 0, 3).astype(int)
    cold = rng.normal(size=n)
    is_open = rng.random(n) < 0.5
    base = 72 - 5 * skill + 4 * cold + rng.normal(0, 3, members)[member]
    onset = base + STEPS[BROOD][level] + rng.normal(0, 6, n)
    logit = -1.0 - 0.6 * skill + 0.2 * cold - 0.4 * is_open + rng.normal(0, 0.3, members)[member]
    chance = 1 / (1 + np.exp(-(logit + STEPS[MOISTURE][level])))
    hours = rng.binomial(HOURS, rng.beta(chance * 6, (1 - chance) * 6))

    rows: dict[str, list[dict]] = {"colony_winters": [], "sensor_features": [], "sensor_days": []}
    for i in range(n):
        unit = {"colony_id": f"C{i:03d}", "winter": 2023}
        came_through = rng.random() < 0.9
        rows["colony_winters"].append(
            unit
            | {
                "member_id": f"M{member[i]:02d}",
                "apiary_id": f"A{member[i]:02d}",
                "level": LEVELS[level[i]],
                "top_opening": "open" if is_open[i] else "closed",
                "cold_kd_per_day": 12 + 2 * cold[i] if rng.random() < 0.95 else None,
                "is_alive": came_through,
                "is_disaster": False,
                "was_treated": bool(rng.random() < 0.7),
                "sensor_days": 200,
            }
        )
        first = int(rng.choice([20, 20, 20, 20, 60]))
        last = int(rng.choice([140, 140, 140, 80]))
        gap = rng.integers(50, 75)  # a flat battery for nine days, in one logger of three
        days = [d for d in range(first, last + 1) if i % 3 or not gap <= d < gap + 9]
        day = int(np.ceil(onset[i]))
        seen = next((d for d in days if d >= day), None) if came_through else None
        if seen is not None and seen > last - 6:  # an onset is told by seven days
            seen = None
        reason = "no sustained brood temperature was seen" if seen is None else None
        if seen == first:
            seen, reason = None, "brood already there when readings after midwinter began"
        rows["sensor_features"].append(
            unit
            | {
                "sensor_days": 200,
                "condensation_risk_h": float(hours[i] if came_through else 0),
                "condensation_measured_h": HOURS,
                "condensation_daily_outside_h": 0,
                "brood_onset_on": None if seen is None else MIDWINTER + timedelta(days=seen),
                "brood_onset_reason": reason,
            }
        )
        rows["sensor_days"] += [
            {
                "colony_id": unit["colony_id"],
                "observed_on": MIDWINTER + timedelta(days=d),
                "position": "brood nest",
                "readings": 24,
                "hours_covered": 24,
                "temperature_mean_c": 20.0,
            }
            for d in days
        ]
    frames = {
        name: pl.DataFrame(r, schema=load_derived_contracts()[name].polars_schema, orient="row")
        for name, r in rows.items()
    }
    through = frames["colony_winters"]["is_alive"].to_numpy()

    def wet(k: int) -> float:
        return float((2400 / (1 + np.exp(-(logit + STEPS[MOISTURE][k]))))[through].mean())

    truth, raw = {}, {}
    for k, name in enumerate(LEVELS[1:], start=1):
        at, none = through & (level == k), through & (level == 0)
        truth[BROOD, f"{name} vs none"] = float(STEPS[BROOD][k])
        truth[MOISTURE, f"{name} vs none"] = wet(k) - wet(0)
        raw[BROOD, f"{name} vs none"] = float(onset[at].mean() - onset[none].mean())
        raw[MOISTURE, f"{name} vs none"] = float(hours[at].mean() - hours[none].mean()) / 2
    return Made(frames, truth, raw)


@pytest.fixture(scope="module")
def made() -> Made:
    return make_loggers(3)


SETTINGS = Settings(model=ModelSettings(draws=600, tune=400, retries=1))


@pytest.fixture(scope="module")
def result(made) -> SecondaryResult:
    return fit_secondary(**made.frames, settings=SETTINGS, progress=SILENT)


def rows(result: SecondaryResult) -> dict[tuple[str, str], dict]:
    return {(r["outcome"], r["contrast"]): r for r in result.table.to_dicts()}


def test_loggers_without_humidity_still_tell_when_brood_began(made):
    dry = made.frames["sensor_features"].with_columns(
        pl.lit(None, pl.Float64).alias("condensation_risk_h")
    )
    found = fit_secondary(
        **made.frames | {"sensor_features": dry}, settings=SETTINGS, progress=SILENT
    )
    assert found.gates["passed"].all(), found.gates.filter(~pl.col("passed"))
    assert set(found.table.filter(outcome=MOISTURE)["status"]) == {"cannot be estimated"}
    row, truth = rows(found)[BROOD, FULL], made.truth[BROOD, FULL]
    assert row["q2.5"] < truth < row["q97.5"], (truth, row)
    assert row["q97.5"] < 0 and row["q97.5"] - row["q2.5"] < 10.0
    raw = made.raw[BROOD, FULL]
    assert raw < truth and abs(row["mean"] - truth) < 0.5 * abs(raw - truth)


@pytest.mark.slow
def test_every_contrast_converges_and_is_estimated(result):
    assert result.gates["passed"].all(), result.gates.filter(~pl.col("passed"))
    assert set(result.table["status"]) == {"estimated"}
    assert result.table.height == 6


@pytest.mark.slow
def test_no_estimate_is_far_from_the_truth(result, made):
    z = {k: (r["mean"] - made.truth[k]) / r["sd"] for k, r in rows(result).items()}
    assert max(abs(v) for v in z.values()) < 2.5, z


@pytest.mark.slow
@pytest.mark.parametrize("outcome", [BROOD, MOISTURE])
def test_full_insulation_is_covered_has_the_right_sign_and_is_narrow(result, made, outcome):
    key = (outcome, "full vs none")
    row, truth = rows(result)[key], made.truth[key]
    assert row["q2.5"] < truth < row["q97.5"], (truth, row)
    assert row["q97.5"] < 0 and row["p_less"] > 0.97
    assert row["q97.5"] - row["q2.5"] < {BROOD: 10.0, MOISTURE: 350.0}[outcome]


@pytest.mark.slow
@pytest.mark.parametrize("outcome", [BROOD, MOISTURE])
def test_the_raw_difference_overstates_and_ours_does_not(result, made, outcome):
    key = (outcome, "full vs none")
    row, truth, raw = rows(result)[key], made.truth[key], made.raw[key]
    assert raw < truth
    assert abs(row["mean"] - truth) < 0.5 * abs(raw - truth)


@pytest.mark.slow
def test_members_and_units_left_out_are_counted(result, made):
    units = made.frames["colony_winters"]
    row = rows(result)[MOISTURE, "full vs none"]
    assert row["n_units"] == units["is_alive"].sum()
    assert row["n_left_out"] == units.height - row["n_units"]
    assert row["n_members"] == 14


@pytest.mark.slow
def test_the_table_is_written_whole(result, tmp_path):
    write_secondary(result, tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["secondary.csv", "secondary_gates.csv"]
    back = pl.read_csv(tmp_path / "secondary.csv")
    assert back.columns == result.table.columns
