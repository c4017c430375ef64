"""The model's fixed words: levels, outcomes and ways to sample mites, in their order."""

from __future__ import annotations

LEVELS = ("none", "top", "partial", "full")
STORES, SURVIVAL, STRENGTH = OUTCOMES = ("stores use", "survival", "spring strength")
METHODS = ("alcohol wash", "sugar roll", "CO2 roll")
ONLY_LIVING = "measured only on colonies that lived: conditions on survival"
"""Said beside stores use where no colony that died left a ledger."""
