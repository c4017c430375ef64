"""The model's fixed words: levels, outcomes and ways to sample mites, in their order."""

from __future__ import annotations

LEVELS = ("none", "top", "partial", "full")
STORES, SURVIVAL, STRENGTH = OUTCOMES = ("stores use", "survival", "spring strength")
BY_INFORMATION = (STORES, STRENGTH, SURVIVAL)  # what records tell of single groups, most first
METHODS = ("alcohol wash", "sugar roll", "CO2 roll")
ONLY_LIVING = "measured only on colonies that lived: conditions on survival"
"""Said beside stores use where no colony that died left a ledger."""


def by_information(outcomes: tuple[str, ...]) -> list[int]:
    """Places of outcomes, those first of whose single groups records tell most."""
    return [outcomes.index(outcome) for outcome in BY_INFORMATION if outcome in outcomes]
