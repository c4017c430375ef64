"""Names of the files that a fit leaves."""

from __future__ import annotations

FIT_FILES = [
    "apiaries.csv",
    "conditions.csv",
    "estimands.csv",
    "gates.csv",
    "level_means.csv",
    "links.csv",
    "parts.csv",
    "run.json",
]
"""What every fit writes; one that sampled adds ``posterior.nc``."""
