"""Simulated pools, fitted by the real sampler, beside their truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.fit import FitResult, fit
from models.simulate import Scenario, SimulatedPool, simulate_pool
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings

VALUES = {
    "stores use": pl.col("stores_use_kg"),
    "survival": 100.0 * pl.col("is_alive").cast(pl.Float64),
    "spring strength": pl.when(~pl.col("is_alive"))
    .then(0.0)
    .otherwise(pl.col("spring_strength_frames")),
}


@dataclass(frozen=True)
class Recovered:
    """A simulated pool and what the fit made of it."""

    simulated: SimulatedPool
    result: FitResult

    def row(self, outcome: str, contrast: str, measure: str = "difference", **where: str) -> dict:
        wanted = {"subgroup": "all", "horizon": "these winters"} | where
        rows = self.result.estimands.filter(
            outcome=outcome, contrast=contrast, measure=measure, **wanted
        )
        return rows.row(0, named=True)

    def truth(self, outcome: str, contrast: str, measure: str = "difference") -> float:
        rows = self.simulated.truth.filter(outcome=outcome, contrast=contrast, measure=measure)
        return float(rows["value"].item())

    def naive(self, outcome: str) -> tuple[float, float]:
        """Full against none by raw means, and its standard error; positive is a benefit."""
        table, values = self.simulated.colony_winters, VALUES[outcome]
        stats = {
            level: (float(v.mean()), float(v.var()) / len(v))
            for level in ("none", "full")
            for v in [table.filter(level=level).select(v=values)["v"].drop_nulls()]
        }
        sign = -1.0 if outcome == "stores use" else 1.0
        difference = sign * (stats["full"][0] - stats["none"][0])
        return difference, (stats["full"][1] + stats["none"][1]) ** 0.5

    def within_apiaries(self, outcome: str) -> tuple[float, float]:
        """Full against none by least squares with apiary and winter effects, and its standard
        error; positive is a benefit."""
        table = self.simulated.colony_winters.with_columns(v=VALUES[outcome]).drop_nulls("v")
        value = table["v"].to_numpy()
        kinds = table.select("level", "apiary_id", "winter", "top_opening")
        columns = [np.ones(len(value)), (table["level"] == "full").to_numpy().astype(float)]
        for column in kinds.to_dummies(kinds.columns).iter_columns():
            if column.name not in ("level_none", "level_full"):
                columns.append(column.to_numpy().astype(float))
        design = np.column_stack(columns)
        inverse = np.linalg.pinv(design.T @ design)
        estimate = inverse @ design.T @ value
        residual = value - design @ estimate
        freedom = len(value) - np.linalg.matrix_rank(design)
        sign = -1.0 if outcome == "stores use" else 1.0
        error = np.sqrt(residual @ residual / freedom * inverse[1, 1])
        return sign * float(estimate[1]), float(error)


def recover(scenario: Scenario, seed: int, **model: int) -> Recovered:
    """Simulate and fit."""
    simulated = simulate_pool(scenario, seed)
    settings = Settings(model=ModelSettings(**model))
    result = fit(simulated.colony_winters, simulated.mite_samples, settings, SILENT)
    return Recovered(simulated, result)
