"""Slow: type and timing of treatments are recovered by the real sampler, from the mite part alone.

Members mostly use one ingredient, so that types are told apart by treated against untreated
colonies of the same member.
"""

from __future__ import annotations

import numpy as np
import nutpie
import pymc as pm
import pytest

from models.conditions import treatment_effects
from models.data import pack_pool
from models.parts.mites import add_mite_counts, add_mite_load, mite_coords
from models.priors import MitePriors
from models.simulate import Scenario, simulate_pool
from models.simulate_mites import Treatment
from pipeline.settings import Settings

pytestmark = pytest.mark.slow

REGROWTH = 0.45
GIVEN = (Treatment("amitraz", 1.4), Treatment("formic acid", 0.9), Treatment("thymol", 0.5))


def recovered(seed: int) -> tuple[dict[str, np.ndarray], float]:
    """Draws of each effect of a simulated pool, and its usual days from treatment to reference."""
    scenario = Scenario(
        n_members=24, colonies_per_apiary=8, treatments=GIVEN, regrowth=REGROWTH, confounding=0.3
    )
    made = simulate_pool(scenario, seed)
    pool = pack_pool(made.colony_winters, made.mite_samples, Settings())
    assert pool.treatments.types == tuple(t.ingredient for t in GIVEN)
    coords = {"unit": pool.unit_names, "member": pool.members, "winter": pool.winters}
    with pm.Model(coords=coords | mite_coords(pool)) as model:
        add_mite_counts(pool, MitePriors(), add_mite_load(pool, MitePriors()))
    tree = nutpie.sample(
        nutpie.compile_pymc_model(model),
        draws=600,
        tune=600,
        chains=4,
        cores=2,
        seed=seed,
        target_accept=0.9,
        progress_bar=False,
    )
    assert int(tree["sample_stats"].ds["diverging"].sum()) == 0
    return treatment_effects(pool, tree["posterior"].ds), pool.treatments.usual_days


def test_effects_of_types_and_regrowth_are_recovered():
    effects, days = recovered(31)
    truths = {t.ingredient: -t.effect + REGROWTH * (days - 45.0) / 30.0 for t in GIVEN}
    truths["30 days earlier"] = REGROWTH
    for name, truth in truths.items():
        draws = effects[name]
        assert draws.std() < 0.25, name  # the records speak, not the prior alone
        assert abs(draws.mean() - truth) < 2.6 * draws.std(), name
    assert effects["amitraz"].mean() < effects["formic acid"].mean() < effects["thymol"].mean()
    assert np.quantile(effects["30 days earlier"], 0.025) > 0
