"""The fast analysis of a trial beside full fits of the joint model; invented bees.

A trial of 10 apiaries with 8 colonies over 1 winter is made from known values, fitted by the
model itself, and the 89 % intervals are compared with what ``models.trial`` foretold.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from models.compiled import compile_pool
from models.data import Pool, pack_pool
from models.estimands import ALL, THESE, contrast_draws, pool_means
from models.trial.expectations import FIT, Known, expected_of
from models.trial.precision import OWN, Trial, analyse
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.assignment import COLONIES_SCHEMA, Draw, draw_levels
from pipeline.contracts import load_derived_contracts
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings

TRIAL = Trial(colonies=8, apiaries=10, winters=1)
SETTINGS = Settings(model=ModelSettings(minimum_colonies=5, minimum_links=1))
NONE = {STORES: 15.0, SURVIVAL: 0.75, STRENGTH: 6.0}
FULL = {STORES: 12.5, SURVIVAL: 0.85, STRENGTH: 7.0}
CV, FRAMES_CV, STORES_ERROR, FRAMES_ERROR, PLACE_SD = 0.2, 0.3, 0.7, 0.1, 0.15


def known() -> Known:
    """The values that the records are made from, one draw."""
    one = np.ones(1)
    zero = {outcome: 0.0 * one for outcome in OUTCOMES}
    return Known(
        none={o: v * one for o, v in NONE.items()},
        full={o: v * one for o, v in FULL.items()},
        survival_slope=one * FULL[SURVIVAL] * (1 - FULL[SURVIVAL]),
        apiary_sd=zero,
        winter_sd=zero,
        between_sd=PLACE_SD * one,
        colony_sd=zero,
        cv=CV * one,
        frames_cv=FRAMES_CV * one,
        stores_error_kg=STORES_ERROR,
        frames_error=FRAMES_ERROR,
        sources=dict.fromkeys(OUTCOMES, FIT),
    )


def trial_pool(seed: int) -> Pool:
    """Draw the set-ups with the program's own draw, and winter the colonies."""
    rng = np.random.default_rng(seed)
    colonies = pl.DataFrame(
        [
            (f"C{a}-{c}", f"A{a}", f"M{a}", float(rng.normal(9, 2)), None, None)
            for a in range(TRIAL.apiaries)
            for c in range(TRIAL.colonies)
        ],
        schema=COLONIES_SCHEMA,
        orient="row",
    )
    drawn = draw_levels(Draw(2026, seed, ("none", "full"), None, colonies))
    rows = []
    for row in drawn.to_dicts():
        mean = FULL if row["level"] == "full" else NONE
        kg, frames = mean[STORES], mean[STRENGTH] * rng.gamma(FRAMES_CV**-2, FRAMES_CV**2)
        is_alive = bool(rng.random() < mean[SURVIVAL])
        counted = max(frames * (1 + FRAMES_ERROR * rng.normal()), 0.5)
        rows.append(
            {
                **{name: row[name] for name in ("colony_id", "winter", "apiary_id", "member_id")},
                "level": row["level"],
                "is_disaster": False,
                "autumn_strength_frames": row["strength_frames"],
                "autumn_strength_sd_frames": 0.5,
                "mite_counts_used": 0,
                "window_days": 177.0,
                "stores_use_kg": kg + float(np.hypot(CV * kg, STORES_ERROR) * rng.standard_t(6)),
                "stores_method_sd_kg": STORES_ERROR,
                "is_alive": is_alive,
                "spring_strength_frames": float(counted) if is_alive else None,
                "spring_strength_sd_frames": FRAMES_ERROR * float(counted) if is_alive else None,
                "spring_strength_on": date(2027, 4, 20) if is_alive else None,
            }
        )
    contracts = load_derived_contracts()
    units = pl.DataFrame(rows, schema=contracts["colony_winters"].polars_schema)
    samples = pl.DataFrame(schema=contracts["mite_samples"].polars_schema)
    return pack_pool(units, samples, SETTINGS)


@pytest.mark.slow
def test_full_fits_are_as_precise_as_foretold() -> None:
    expected = expected_of(known())
    widths: dict[str, list[float]] = {outcome: [] for outcome in OUTCOMES}
    for seed in (1, 2, 3):
        pool = trial_pool(seed)
        budget = {"chains": 2, "tune": 500, "draws": 500, "cores": 1, "target_accept": 0.9}
        tree = compile_pool(pool).sample(budget | {"seed": seed}, SILENT)
        posterior = tree["posterior"].ds
        means = pool_means(pool, posterior, seed=seed)
        for outcome in OUTCOMES:
            draws = contrast_draws(pool, means, outcome, "full vs none", THESE, ALL)["difference"]
            low, high = np.quantile(draws, [0.055, 0.945])
            widths[outcome].append(high - low)
    said = []
    for outcome in OUTCOMES:
        foretold = analyse(expected[outcome], TRIAL, OWN).width[0]
        ratio = np.mean(widths[outcome]) / foretold
        said.append(f"{outcome}: fitted over foretold {ratio:.2f}")
        assert 0.8 < ratio < 1.3, said
