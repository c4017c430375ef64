"""The fit of the published records, kept in the study until what it rests on changes.

The study's own fit knows members who did not agree, and exact strengths and dates: it is not
published. The published records are fitted as they are, so that anybody can do it again.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import NotConvergedError
from pipeline.fit_step import FitInputs, fit_study
from pipeline.progress import Progress
from pipeline.publishing.checksums import BundleError
from pipeline.publishing.tables import Tables
from pipeline.runner import code_fingerprint, table_fingerprint
from pipeline.settings import Settings

OF_THE_RUN = ("seed", "n_units", "python", "versions", "has_converged", "sha256")
"""What of ``run.json`` is published: no times."""
MOST_CHAINS, MOST_DRAWS = 16, 100_000
"""Of a bundle that somebody else made: warm-up and kept draws of a chain, all retries spent."""
TABLES = ("estimands", "level_means", "conditions", "gates", "links", "parts", "checks")


def fit_digests(tables: Tables, settings: Settings) -> dict[str, str]:
    """Digests of everything that the published fit depends on."""
    used = {name: asdict(getattr(settings, name)) for name in ("winter", "levels", "model")}
    return {
        "colony_winters": table_fingerprint(tables.colony_winters),
        "mite_samples": table_fingerprint(tables.mite_samples),
        "settings": json.dumps(used, sort_keys=True),
        "code": code_fingerprint("fit"),
    }


def _run(folder: Path) -> dict[str, Any]:
    path = folder / "run.json"
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    return found


def fit_published(tables: Tables, settings: Settings, folder: Path, progress: Progress) -> bool:
    """Fit the published records, unless that was done before.

    Parameters
    ----------
    tables : Tables
    settings : Settings
    folder : Path
        Of the kept fit.
    progress : Progress

    Returns
    -------
    bool
        Whether it had to be fitted.

    Raises
    ------
    NotConvergedError
        The fit did not pass its gates.
    """
    digests = fit_digests(tables, settings)
    is_new = _run(folder).get("sha256") != digests
    if is_new:
        colony_winters, mite_samples = tables.for_fit(settings.winter)
        set_ups = colony_winters.select(
            "colony_id", "winter", "top_opening", installed_on=pl.lit(None, pl.Date)
        )
        inputs = FitInputs(colony_winters, mite_samples, set_ups, ())
        fit_study(inputs, settings, digests, folder, progress)
    if not _run(folder)["has_converged"]:
        raise NotConvergedError(
            "The fit of the published records did not pass its gates; "
            f"{folder / 'gates.csv'} lists what failed.",
            mend="Raise draws or retries under [model] in study.toml and publish again.",
        )
    return is_new


def require_modest(settings: Settings, bundle: Path, mend: str) -> None:
    """Refuse a bundle whose settings ask for a fit that would never end.

    Parameters
    ----------
    settings : Settings
    bundle : Path
        Whose they are.
    mend : str
        What to do instead.

    Raises
    ------
    BundleError
        More chains or draws than any sound fit needs.
    """
    model = settings.model
    # retries first: each doubles the draws, and a power of a large number would itself not end
    is_modest = model.chains <= MOST_CHAINS and model.retries <= math.log2(MOST_DRAWS)
    if not is_modest or (model.draws + model.tune) * 2**model.retries > MOST_DRAWS:
        raise BundleError(
            f"The settings of {bundle} ask for {model.chains} chains of {model.tune} and "
            f"{model.draws} draws with {model.retries} retries: more than {MOST_CHAINS} chains or "
            f"{MOST_DRAWS:,} draws a chain are not fitted.",
            mend=mend,
        )


def public_run(folder: Path) -> dict[str, Any]:
    """What of a fit's ``run.json`` is published: what it rests on, and no time of day."""
    run = _run(folder)
    attempts = [
        {key: value for key, value in attempt.items() if not key.startswith("seconds")}
        for attempt in run["attempts"]
    ]
    return {key: run[key] for key in OF_THE_RUN} | {"attempts": attempts}
