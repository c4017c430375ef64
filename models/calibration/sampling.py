"""Sample one simulated pool with a small budget and say how well the chains agreed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from models.data import Pool
from models.diagnostics import diagnostics
from pipeline.progress import SILENT


@dataclass(frozen=True, slots=True)
class Budget:
    """Draws spent on one replicate: fewer than a study's own, the same for all replicates."""

    chains: int = 2
    tune: int = 500
    draws: int = 750
    target_accept: float = 0.9


@dataclass(frozen=True, slots=True)
class Sampled:
    """Draws of the quantities looked at, chain after chain, and how the chains agreed."""

    draws: dict[str, np.ndarray]
    r_hat: float
    ess: float
    divergences: int

    def checks(self) -> dict[str, Any]:
        """Largest R-hat, smallest effective sample size and divergences, to be stored."""
        return {
            "r_hat": round(self.r_hat, 4),
            "ess": round(self.ess, 1),
            "divergences": self.divergences,
        }


def sample_quantities(
    pool: Pool,
    seed: int,
    budget: Budget,
    quantities: Callable[[Pool, xr.Dataset], dict[str, np.ndarray]],
) -> Sampled:
    """Fit a pool and return draws of what is asked.

    Parameters
    ----------
    pool : Pool
        Pools of one shape share the compiled model within a process.
    seed : int
    budget : Budget
    quantities : callable
        From pool and posterior to draws by name.

    Returns
    -------
    Sampled
    """
    chosen = {
        "chains": budget.chains,
        "tune": budget.tune,
        "draws": budget.draws,
        "target_accept": budget.target_accept,
        "cores": 1,
        "seed": seed,
    }
    from models.compiled import compile_pool

    tree = compile_pool(pool).sample(chosen, SILENT)
    draws = quantities(pool, tree["posterior"].ds)
    stacked = np.column_stack(list(draws.values()))
    r_hat, bulk, _ = diagnostics(stacked.reshape(budget.chains, -1, stacked.shape[1]))
    divergences = int(tree["sample_stats"].ds["diverging"].sum())
    return Sampled(draws, float(np.nanmax(r_hat)), float(np.nanmin(bulk)), divergences)
