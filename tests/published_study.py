"""A study that can be published without sampling: invented records, and draws about a known truth.

Every field that a contract marks private, every name and every free text holds a mark that must
not be found in a bundle.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import polars as pl
import xarray as xr

from models.apiary_effects import apiary_table
from models.conditions import conditions_table
from models.data import Pool, pack_pool
from models.estimands import pool_means
from models.fit import FitResult, _parts_table
from models.gates import Gates
from models.identify import count_links, identify_contrasts
from models.predictor import layout_of
from models.simulate import Scenario, simulate_pool
from models.tables import (
    estimand_draws,
    estimand_verdicts,
    estimands_table,
    level_means_table,
)
from pipeline.contracts import load_contracts, load_derived_contracts
from pipeline.fit_step import write_fit
from pipeline.publishing import bundle
from pipeline.publishing.checksums import write_checksums
from pipeline.publishing.pseudonyms import study_pseudonyms
from pipeline.publishing.published_fit import fit_digests
from pipeline.publishing.tables import Tables
from pipeline.runner import step_fingerprint
from pipeline.settings import ModelSettings, Settings, StudySettings, render_settings
from pipeline.store import Store
from pipeline.study import Study
from tests.known_fit import _values

MARK = "Zq7"
"""Begins every private text and every name."""
PRIVATE_NUMBERS = {"latitude": 48.7654321, "longitude": -73.9876543}
SETTINGS = Settings(
    study=StudySettings(
        name="Hollow Wood winters (invented)",
        association="Hollow Wood Beekeepers (invented)",
        is_invented=True,
        time_zone="Etc/GMT+5",
    ),
    model=ModelSettings(minimum_colonies=1, minimum_links=1),
)
CHAINS, DRAWS = 4, 30
RUN: tuple[None, dict] = (None, {"attempts": [], "problem": ""})


def _named(table: pl.DataFrame) -> pl.DataFrame:
    names = [c for c in ("colony_id", "apiary_id", "member_id") if c in table.columns]
    return table.with_columns((pl.lit(MARK) + pl.col(name)).alias(name) for name in names)


def _as_derived(table: pl.DataFrame, name: str) -> pl.DataFrame:
    schema = load_derived_contracts()[name].polars_schema
    return table.select(
        (pl.col(c) if c in table.columns else pl.lit(None)).cast(kind).alias(c)
        for c, kind in schema.items()
    )


def _envelopes(units: pl.DataFrame) -> pl.DataFrame:
    """Surfaces that give the unit's level by the rule."""
    level = pl.col("level")
    sides = {
        f"is_{side}_insulated": level.is_in(["partial", "full"])
        for side in ("front", "back", "left", "right")
    }
    return _as_derived(
        units.with_columns(
            **sides,
            is_top_insulated=level.is_in(["top", "full"]),
            is_bottom_insulated=level == "full",
        ),
        "hive_envelopes",
    )


def _put(store: Store, record: str, rows: list[dict]) -> None:
    contract = load_contracts()[record]
    provenance = {
        "_file_sha256": "a" * 64,
        "_file_no": 1,
        "_sheet": f"{MARK} sheet",
        "_row": 2,
        "_ingested_at": datetime(2025, 6, 1, tzinfo=UTC),
        "_is_superseded": False,
    }
    schema = {**contract.polars_schema, "_file_sha256": pl.String, "_file_no": pl.Int32}
    schema |= {"_sheet": pl.String, "_row": pl.Int64, "_ingested_at": pl.Datetime("us", "UTC")}
    frame = pl.DataFrame(
        [{**provenance, **row} for row in rows], schema=schema | {"_is_superseded": pl.Boolean}
    )
    store.connection.register("incoming", frame)
    columns = ", ".join(frame.columns)
    store.connection.execute(f'INSERT INTO "{record}_rows" ({columns}) FROM incoming')
    store.connection.unregister("incoming")


def _private_row(record: str) -> dict:
    """A row whose private fields, and whose texts that are free, hold marks."""
    row: dict = {}
    for field in load_contracts()[record].fields:
        if field.name in PRIVATE_NUMBERS:
            row[field.name] = PRIVATE_NUMBERS[field.name]
        elif field.type == "string" and not field.enum:
            row[field.name] = f"{MARK} {record} {field.name}"
        elif field.type == "date":
            row[field.name] = date(2023, 9, 17)
    return row


def known_result(
    colony_winters: pl.DataFrame, mite_samples: pl.DataFrame, settings: Settings, seed: int = 3
) -> FitResult:
    """A fit whose draws lie about typical values; nothing is sampled, so that it takes no time."""
    pool = pack_pool(colony_winters, mite_samples, settings)
    tree = known_draws(pool, seed)
    posterior = tree["posterior"].ds
    verdicts = identify_contrasts(pool, settings)
    means = pool_means(pool, posterior, seed=settings.model.seed)
    own = estimand_verdicts(pool, posterior, verdicts, settings)
    draws = estimand_draws(pool, means, own)
    estimands = estimands_table(pool, draws, own, settings, failures=[])
    run = {
        "started_at": "2025-06-02T11:12:13+00:00",
        "seed": settings.model.seed,
        "n_units": pool.n_units,
        "python": "3",
        "versions": {},
        "attempts": [{"step": "attempt 1", "seconds": 1.5}],
        "has_converged": True,
    }
    return FitResult(
        pool,
        tree,
        estimands,
        level_means_table(pool, means, verdicts, has_converged=True),
        conditions_table(pool, posterior, estimands),
        apiary_table(pool, posterior, estimands),
        Gates.none().table,
        count_links(pool, settings),
        _parts_table(pool),
        run,
    )


def known_draws(pool: Pool, seed: int) -> xr.DataTree:
    """Draws of every variable about one set of values, each coefficient with some noise."""
    rng = np.random.default_rng(seed)
    truth = xr.Dataset(_values(pool, 1, rng))
    posterior = xr.Dataset(
        {
            name: (
                value.dims,
                np.broadcast_to(value.values, (CHAINS, DRAWS, *value.shape[2:])).copy(),
            )
            for name, value in truth.items()
        }
    )
    noise = 0.05 * rng.normal(size=posterior["coefficient"].shape)
    posterior["coefficient"] = posterior["coefficient"] + noise
    layout = layout_of(pool)
    posterior = posterior.assign_coords(
        term=layout.names, grouping=list(layout.groupings), outcome=list(pool.outcomes)
    )
    stats = xr.Dataset({"diverging": (("chain", "draw"), np.zeros((CHAINS, DRAWS), dtype=bool))})
    return xr.DataTree.from_dict({"posterior": posterior, "sample_stats": stats})


def write_published_study(path: Path, *, refusing: int = 1, k: int = 3, seed: int = 5) -> Study:
    """Write a study with results that are current, its members' consents and marks everywhere."""
    study = Study(path)
    study.results_path.mkdir(parents=True)
    settings = replace(SETTINGS, publish=replace(SETTINGS.publish, smallest_class=k))
    study.settings_path.write_text(render_settings(settings), encoding="utf-8")
    made = simulate_pool(Scenario(n_members=10, apiaries_per_member=2), seed)
    units = _named(made.colony_winters).with_columns(
        likely_cause=pl.when(~pl.col("is_alive")).then(pl.lit(f"{MARK} cause")),
        is_disaster=pl.lit(False),
    )
    units = _as_derived(units, "colony_winters").sort("colony_id", "winter")
    mites = _as_derived(_named(made.mite_samples), "mite_samples")
    members = sorted(units["member_id"].drop_nulls().unique().to_list())
    with Store.open(study.store_path) as store:
        for record in load_contracts():
            if record != "members":
                _put(store, record, [_private_row(record)])
        said = [{"member_id": name, "may_publish": i >= refusing} for i, name in enumerate(members)]
        _put(store, "members", said)
        store.replace_table("colony_winters", units)
        store.replace_table("mite_samples", mites)
        store.replace_table("hive_envelopes", _envelopes(units))
    result = known_result(units, mites, settings)
    write_fit(study.results_path, result, [], RUN)
    note_current(study, settings)
    return study


def note_current(study: Study, settings: Settings) -> None:
    """Note the steps as done with what is there."""
    noted = {
        step: {"fingerprint": step_fingerprint(step, study, settings)}
        for step in ("prepare", "fit")
    }
    study.steps_path.write_text(json.dumps(noted), encoding="utf-8")


def keep_known_fit(
    study: Study, settings: Settings, *, coarser: int, seed: int = 3
) -> tuple[Tables, FitResult]:
    """Put a known fit where the fit of the published records is kept."""
    place = study.path / bundle.PUBLICATION
    pseudonyms = study_pseudonyms(place / "key")
    _, tables, _ = bundle._protected_tables(study, settings, pseudonyms, coarser, True)
    result = known_result(*tables.for_fit(settings.winter), settings, seed)
    result.run["sha256"] = fit_digests(tables, settings)
    write_fit(place / "fit", result, [], RUN)
    return tables, result


def sealed(folder: Path) -> Path:
    """Write checksums of what is there now: as somebody would who wants to be believed."""
    (folder / "SHA256SUMS").unlink()
    write_checksums(folder)
    return folder
