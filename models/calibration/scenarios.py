"""Named situations with a known truth, the naive contrast beside ours, and what should happen.

The first, an ordinary association, is the one whose coverage is measured over many replicates.
All of them are invented, and most have 240 colony-winters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import polars as pl
import xarray as xr

from models.calibration import faults
from models.calibration.mechanism import Association, World, invent, truth_of
from models.calibration.records import Rows, build_pool_tables, write_records
from models.calibration.sampling import Budget, sample_quantities
from models.data import Pool, pack_pool
from models.estimands import ALL, THESE, contrast_draws, pool_means
from models.identify import identify_contrasts
from models.vocabulary import OUTCOMES, STORES, STRENGTH, SURVIVAL
from pipeline.settings import Settings

CONTRAST = "full vs none"
PROBABILITIES = (0.025, 0.055, 0.25, 0.75, 0.945, 0.975)
BUDGET = Budget(chains=2, tune=500, draws=500)
ORDINARY = "ordinary"

_association = partial(Association, n_members=15, colonies_per_apiary=4)  # 240 colony-winters

Fault = Callable[[World, Rows, np.random.Generator], Rows]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A situation and what should happen in it.

    Attributes
    ----------
    name : str
    expectation : str
        One sentence.
    association : Association
    fault : callable, optional
        What goes wrong with the records.
    naive : str
        How a hasty reader compares: ``raw`` (means of what is recorded, a dead colony has no
        frames), ``survivors`` (frames of survivors alone), ``disasters`` (as raw, a disaster
        counts as a loss) or ``wrapped`` (as raw, only what was wrapped around counts).
    outcome : str
        The expectation in a word: ``covered``, ``refused`` or ``known failure``.
    """

    name: str
    expectation: str
    association: Association = field(default_factory=_association)
    fault: Fault | None = None
    naive: str = "raw"
    outcome: str = "covered"


SCENARIOS = (
    Scenario(ORDINARY, "Somewhat skilled members insulate more; intervals hold what they say."),
    Scenario(
        "no effect",
        "Insulation does nothing and skilled members insulate: no effect is told.",
        _association(conductance_w_per_k=(2.6,) * 4, confounding=1.0),
    ),
    Scenario(
        "strong effect",
        "Insulation does a lot: a benefit is told, though frames saved are drawn towards none.",
        _association(conductance_w_per_k=(3.5, 2.4, 1.4, 0.5)),
    ),
    Scenario(
        "confounded by skill",
        "The raw contrast credits insulation with skill; ours compares within members.",
        _association(confounding=1.2),
    ),
    Scenario(
        "confounded by mites",
        "Members who insulate keep mites down; few counts, and some by a roll that finds less.",
        _association(confounding=0.0, mite_confounding=1.0),
        faults.sparse_biased_counts,
    ),
    Scenario(
        "survivors only",
        "Frames of survivors alone compare different colonies; ours counts the dead as none.",
        naive="survivors",
    ),
    Scenario(
        "weighings missing not at random",
        "Light hives were weighed less: no model knows that; stores saved may be off.",
        fault=faults.heavy_hives_weighed,
        outcome="known failure",
    ),
    Scenario(
        "one member sends 40 %",
        "One skilled member sends two records in five; the answer stays.",
        _association(n_members=8, large_member_apiaries=9),
    ),
    Scenario(
        "no overlap",
        "No member or apiary used two levels: nothing is estimated, and it is said why.",
        _association(is_linked=False),
        outcome="refused",
    ),
    Scenario(
        "disaster at one apiary",
        "A flood is not held against the set-up that it met.",
        fault=faults.disaster_at_one_apiary,
        naive="disasters",
    ),
    Scenario(
        "colonies moved",
        "Colonies count where they wintered, not where they were first listed.",
        fault=faults.colonies_moved,
    ),
    Scenario(
        "pounds as kilograms",
        "One member's weighings are 2.2 times too large; the member's own effect takes that up.",
        fault=faults.pounds_as_kilograms,
    ),
    Scenario(
        "losses unreported",
        "Losses without insulation are half unreported: no model knows that; survival is off.",
        fault=faults.losses_unreported,
        outcome="known failure",
    ),
    Scenario(
        "foam bodies unwrapped",
        "A foam hive counts as insulated though nothing is wrapped around it.",
        fault=faults.foam_bodies_unwrapped,
        naive="wrapped",
    ),
    Scenario(
        "harm",
        "Damp under insulation kills two colonies in five: harm is told, but drawn towards none.",
        _association(conductance_w_per_k=(2.6,) * 4, damp_per_day=(0.0, 0.001, 0.002, 0.004)),
        outcome="known failure",
    ),
    Scenario(
        "selection within a member",
        "The best colonies get the new boxes: nothing recorded tells; the answer is too good.",
        _association(selection=1.0),
        outcome="known failure",
    ),
)


def scenario_named(name: str) -> Scenario:
    """Return the scenario of that name."""
    return next(s for s in SCENARIOS if s.name == name)


def naive_contrast(scenario: Scenario, tables: dict[str, pl.DataFrame], rows: Rows) -> dict:
    """Full against none by plain means of what is recorded, by outcome; NaN when one is empty."""
    table = tables["colony_winters"]
    level = pl.col("level")
    if scenario.naive == "wrapped":
        layers = (
            pl.DataFrame(rows["set_up_layers"])
            .group_by("colony_id")
            .agg(surfaces=pl.col("surface").n_unique())
        )
        table = table.join(layers, on="colony_id", how="left")
        level = (
            pl.when(pl.col("surfaces") == 6)
            .then(pl.lit("full"))
            .when(pl.col("surfaces").is_null())
            .then(pl.lit("none"))
        )
    alive = pl.col("is_alive")
    if scenario.naive == "disasters":
        alive = pl.when(pl.col("is_disaster")).then(False).otherwise(alive)
    frames = pl.col("spring_strength_frames")
    if scenario.naive != "survivors":
        frames = pl.when(~alive).then(0.0).otherwise(frames)
    means = dict(
        table.group_by(level=level)
        .agg(
            pl.struct(
                pl.col("stores_use_kg").mean().alias(STORES),
                (100.0 * alive.cast(pl.Float64).mean()).alias(SURVIVAL),
                frames.mean().alias(STRENGTH),
            ).alias("means")
        )
        .iter_rows()
    )
    sign = {STORES: -1.0, SURVIVAL: 1.0, STRENGTH: 1.0}
    full, none = means["full"], means["none"]
    return {o: sign[o] * (full[o] - none[o]) for o in OUTCOMES}


@dataclass(frozen=True, slots=True)
class Invented:
    """One replicate before it is fitted."""

    world: World
    rows: Rows
    tables: dict[str, pl.DataFrame]
    pool: Pool


def make_replicate(scenario: Scenario, number: int) -> Invented:
    """Invent an association, write its records, spoil them, and send them through the stages."""
    world = invent(scenario.association, number)
    rng = np.random.default_rng([11, number])
    rows = write_records(world, rng)
    if scenario.fault is not None:
        rows = scenario.fault(world, rows, rng)
    settings = Settings()
    tables = build_pool_tables(rows, settings)
    pool = pack_pool(tables["colony_winters"], tables["mite_samples"], settings)
    return Invented(world, rows, tables, pool)


def _estimands(pool: Pool, posterior: xr.Dataset) -> dict[str, np.ndarray]:
    means = pool_means(pool, posterior, seed=0)
    return {
        outcome: contrast_draws(pool, means, outcome, CONTRAST, THESE, ALL)["difference"]
        for outcome in pool.outcomes
    }


def scenario_replicate(name: str, number: int) -> dict[str, Any]:
    """Estimate full against none in one invented association, beside its truth.

    Parameters
    ----------
    name : str
    number : int
        The replicate's number and its only seed.

    Returns
    -------
    dict
        By outcome: ``truth``, ``naive``, and either ``mean``, ``sd`` and ``quantiles``
        (``PROBABILITIES``) or the reason why it is ``refused``.
    """
    scenario = scenario_named(name)
    made = make_replicate(scenario, number)
    truth = truth_of(made.world, CONTRAST)
    naive = naive_contrast(scenario, made.tables, made.rows)
    verdicts = identify_contrasts(made.pool, Settings())
    reasons = {o: verdicts[o, CONTRAST].reason for o in OUTCOMES}
    outcomes: dict[str, Any] = {
        o: {"truth": truth[o], "naive": naive[o], "refused": reasons[o]} for o in OUTCOMES
    }
    if all(reasons.values()):
        return {"scenario": name, "outcomes": outcomes}
    sampled = sample_quantities(made.pool, number, BUDGET, _estimands)
    for outcome, draws in sampled.draws.items():
        if reasons[outcome]:
            continue
        outcomes[outcome] |= {
            "mean": float(draws.mean()),
            "sd": float(draws.std()),
            "quantiles": np.quantile(draws, PROBABILITIES).tolist(),
        }
    return {"scenario": name, "outcomes": outcomes, **sampled.checks()}
