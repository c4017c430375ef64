"""The model's fixed words: levels, outcomes and ways to sample mites, in their order."""

from __future__ import annotations

LEVELS = ("none", "top", "partial", "full")
STORES, SURVIVAL, STRENGTH = OUTCOMES = ("stores use", "survival", "spring strength")
METHODS = ("alcohol wash", "sugar roll", "CO2 roll")
