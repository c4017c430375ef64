"""The pool that the quick recovery tests share; it is fitted once a session."""

from __future__ import annotations

import pytest

from models.simulate import Scenario
from tests.recovery.pools import Recovered, recover


@pytest.fixture(scope="session")
def confounded() -> Recovered:
    """Skilled members insulate more and treat mites better."""
    scenario = Scenario(n_members=16, colonies_per_apiary=5, n_winters=2, confounding=1.0)
    return recover(scenario, seed=5, draws=1000, tune=700, retries=1)
