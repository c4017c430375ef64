"""What the report reads: the study's store and results, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from models.apiary_effects import SCHEMA as APIARIES_SCHEMA
from models.conditions import SCHEMA as CONDITIONS_SCHEMA
from models.gates import GATES_SCHEMA
from pipeline.contracts import load_contracts
from pipeline.errors import RenderError
from pipeline.settings import Settings, read_settings
from pipeline.store import Store
from pipeline.study import Study
from reports.coverage import read_coverage
from reports.one_winter import OneWinter, read_one_winter

QUANTILES = ("q2.5", "q5.5", "q25", "q50", "q75", "q94.5", "q97.5")
AMONG_SURVIVORS = " among survivors"
"""Ends the name of an outcome that describes survivors only; never an effect."""

_NUMBERS = dict.fromkeys(("mean", "sd", *QUANTILES), pl.Float64)

# What each file of results holds. A missing file is an empty frame of these columns.
RESULT_SCHEMAS: dict[str, Mapping[str, type[pl.DataType]]] = {
    "estimands": {
        **dict.fromkeys(
            ("outcome", "contrast", "measure", "unit", "subgroup", "horizon", "population"),
            pl.String,
        ),
        **_NUMBERS,
        "p_benefit": pl.Float64,
        "n_units": pl.Int64,
        "n_members": pl.Int64,
        "status": pl.String,
        "reason": pl.String,
    },
    "level_means": {
        "outcome": pl.String,
        "level": pl.String,
        "n_raw": pl.Int64,
        "raw": pl.Float64,
        "mean": pl.Float64,
        **dict.fromkeys(QUANTILES, pl.Float64),
    },
    "conditions": CONDITIONS_SCHEMA,
    "apiaries": APIARIES_SCHEMA,
    "gates": GATES_SCHEMA,
    "links": {
        "outcome": pl.String,
        "level_a": pl.String,
        "level_b": pl.String,
        "linking_members": pl.Int64,
        "linking_apiaries": pl.Int64,
        "is_linked": pl.Boolean,
    },
    "parts": {
        "part": pl.String,
        "is_included": pl.Boolean,
        "n_units": pl.Int64,
        "reason": pl.String,
    },
    "secondary": {
        **dict.fromkeys(("outcome", "contrast", "measure", "unit"), pl.String),
        **_NUMBERS,
        "p_less": pl.Float64,
        **dict.fromkeys(("n_units", "n_members", "n_left_out"), pl.Int64),
        "status": pl.String,
        "reason": pl.String,
    },
}

_RECORD_COUNTS = """
    SELECT count(*) AS accepted, count(*) FILTER (_is_superseded) AS superseded FROM {rows}
"""
_SENSORS = """
    WITH winters AS (
        SELECT *, year(observed_on) - (month(observed_on) < 7)::INTEGER AS winter
        FROM sensor_days
        WHERE month(observed_on) >= 10 OR month(observed_on) <= 4
    ), units AS (
        SELECT colony_id, winter, position, count(*) AS days,
            avg(temperature_mean_c) AS temperature_c, avg(humidity_mean_pct) AS humidity_pct
        FROM winters GROUP BY ALL
    )
    SELECT units.position, coalesce(c.level, 'not recorded') AS level,
        count(*)::BIGINT AS n_units, count(DISTINCT c.member_id)::BIGINT AS n_members,
        sum(days)::BIGINT AS days, avg(temperature_c) AS temperature_c,
        avg(humidity_pct) AS humidity_pct
    FROM units JOIN colony_winters c USING (colony_id, winter)
    WHERE c.exclusion_reason IS NULL
        OR ((c.is_alive IS NOT NULL OR c.is_disaster) AND NOT EXISTS (
            FROM colony_winters WHERE exclusion_reason IS NULL))
    GROUP BY ALL ORDER BY ALL
"""
_TREATMENTS = """
    SELECT t.active_ingredient, count(*)::BIGINT AS n_treatments,
        count(DISTINCT t.colony_id)::BIGINT AS n_colonies,
        count(DISTINCT coalesce(c.member_id, a.member_id))::BIGINT AS n_members
    FROM treatments t
    LEFT JOIN (SELECT DISTINCT colony_id, member_id FROM colony_winters) c USING (colony_id)
    LEFT JOIN colonies USING (colony_id) LEFT JOIN apiaries a ON a.apiary_id = colonies.apiary_id
    GROUP BY ALL ORDER BY n_treatments DESC, active_ingredient
"""


def _wintered(colony_winters: pl.DataFrame) -> pl.DataFrame:
    is_analysed = pl.col("exclusion_reason").is_null()
    return colony_winters.filter(
        is_analysed | pl.col("is_alive").is_not_null() | pl.col("is_disaster")
    )


def _shown(colony_winters: pl.DataFrame) -> pl.DataFrame:
    units = colony_winters.filter(pl.col("exclusion_reason").is_null())
    return _wintered(colony_winters) if units.is_empty() else units


@dataclass(frozen=True, slots=True)
class Pool:
    """Everything the documents read, loaded once.

    ``records`` counts rows by record (record, title, accepted, superseded, rejected); ``accounts``
    is what each stage took in, kept and excluded; ``sensors``, ``treatments`` and ``coverage``
    are summaries made from the store; ``one_winter`` is a logged colony's; ``results`` frames have
    the columns of ``RESULT_SCHEMAS``; ``run`` and ``secondary_run`` are the files of these names,
    empty when there has been no fit.
    """

    study: Study
    settings: Settings
    colony_winters: pl.DataFrame
    winter_survival: pl.DataFrame
    mite_samples: pl.DataFrame
    files: pl.DataFrame
    rejected_rows: pl.DataFrame
    records: pl.DataFrame
    accounts: pl.DataFrame
    sensors: pl.DataFrame
    treatments: pl.DataFrame
    coverage: pl.DataFrame
    one_winter: OneWinter
    estimands: pl.DataFrame
    level_means: pl.DataFrame
    conditions: pl.DataFrame
    apiaries: pl.DataFrame
    gates: pl.DataFrame
    links: pl.DataFrame
    parts: pl.DataFrame
    secondary: pl.DataFrame
    run: dict
    secondary_run: dict

    @property
    def units(self) -> pl.DataFrame:
        """The colony-winters that are analysed."""
        return self.colony_winters.filter(pl.col("exclusion_reason").is_null())

    @property
    def wintered(self) -> pl.DataFrame:
        """The colony-winters whose fate is known, analysed or not, and all that are analysed."""
        return _wintered(self.colony_winters)

    @property
    def shown(self) -> pl.DataFrame:
        """The units that describe the pool: those analysed, or those known when none is."""
        return _shown(self.colony_winters)

    @property
    def minimum_cell(self) -> int:
        """Fewest members whose count may be shown apart."""
        return self.settings.report.minimum_cell

    @property
    def invented(self) -> str:
        """What must be said on every page and figure of a made-up study; empty otherwise."""
        return "Invented data" if self.settings.study.is_invented else ""


def find_study(start: Path) -> Study:
    """Find the study folder that a document lies in.

    Raises
    ------
    RenderError
        No folder above ``start`` has a ``study.toml``.
    """
    for folder in (start, *start.parents):
        if (folder / "study.toml").is_file():
            return Study(folder)
    raise RenderError(
        f"{start} does not lie in a study folder (no study.toml above it).",
        mend="Render with: winterpool report STUDY.",
    )


def _read_result(study: Study, name: str) -> pl.DataFrame:
    schema = RESULT_SCHEMAS[name]
    path = study.results_path / f"{name}.csv"
    if not path.exists():
        return pl.DataFrame(schema=schema)
    found = pl.read_csv(path, infer_schema=False)
    missing = [c for c in schema if c not in found.columns]
    if missing:
        raise RenderError(
            f"{path} has no column {missing[0]!r}.", mend="Run: winterpool fit STUDY."
        )
    is_true = {"true": True, "false": False}
    casts = [
        pl.col(c).str.to_lowercase().replace_strict(is_true, default=None, return_dtype=pl.Boolean)
        if kind == pl.Boolean
        else pl.col(c).cast(kind)
        for c, kind in schema.items()
    ]
    return found.select(casts)


def _only_estimated(level_means: pl.DataFrame, estimands: pl.DataFrame) -> pl.DataFrame:
    """Empty the model's means of levels that no estimate rests on, whatever the file holds."""
    estimated = estimands.filter(pl.col("status") == "estimated").select(
        "outcome", pl.col("contrast").str.split(" vs ").alias("level")
    )
    sure = estimated.explode("level").unique().with_columns(is_sure=pl.lit(True))
    judged = pl.col("outcome").str.strip_suffix(AMONG_SURVIVORS)
    marked = level_means.with_columns(judged=judged).join(
        sure,
        left_on=["judged", "level"],
        right_on=["outcome", "level"],
        how="left",
        maintain_order="left",
    )
    return marked.with_columns(
        pl.when("is_sure").then(pl.col(c)).alias(c) for c in ("mean", *QUANTILES)
    ).drop("is_sure", "judged")


def _read_run(study: Study, name: str) -> dict:
    path = study.results_path / name
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def _count_records(store: Store, rejected: pl.DataFrame) -> pl.DataFrame:
    lost = dict(
        rejected.select("file_sha256", "sheet", "row", "record")
        .unique()
        .group_by("record")
        .len()
        .iter_rows()
    )
    counts = []
    for name, contract in load_contracts().items():
        accepted = superseded = 0
        if store.has_table(f"{name}_rows"):
            sql = _RECORD_COUNTS.format(rows=f'"{name}_rows"')
            [(accepted, superseded)] = store.connection.sql(sql).fetchall()
        counts.append((name, contract.title, accepted, superseded, lost.pop(name, 0)))
    if lost:
        counts.append(("", "Not told apart by record", 0, 0, sum(lost.values())))
    schema = {
        "record": pl.String,
        "title": pl.String,
        "accepted": pl.Int64,
        "superseded": pl.Int64,
        "rejected": pl.Int64,
    }
    return pl.DataFrame(counts, schema=schema, orient="row")


def load_pool(start: Path | None = None) -> Pool:
    """Load the study that ``start`` (the working folder by default) lies in.

    Raises
    ------
    RenderError
        ``start`` is not in a study, or a file of results lacks a column.
    StoreError
        The store is missing, damaged or locked.
    """
    study = find_study((start or Path.cwd()).resolve())
    results = {name: _read_result(study, name) for name in RESULT_SCHEMAS}
    results["level_means"] = _only_estimated(results["level_means"], results["estimands"])
    settings = read_settings(study.settings_path)
    with Store.open(study.store_path, read_only=True) as store:
        rejected = store.table("rejected_rows")
        colony_winters = store.table("colony_winters")
        shown = _shown(colony_winters)
        return Pool(
            study=study,
            settings=settings,
            colony_winters=colony_winters,
            winter_survival=store.table("winter_survival"),
            mite_samples=store.table("mite_samples"),
            files=store.table("files"),
            rejected_rows=rejected,
            records=_count_records(store, rejected),
            accounts=store.table("stage_accounts"),
            sensors=store.connection.sql(_SENSORS).pl(),
            treatments=store.connection.sql(_TREATMENTS).pl(),
            coverage=read_coverage(store, shown, settings.report.minimum_cell),
            one_winter=read_one_winter(store, shown, settings.report.minimum_cell),
            run=_read_run(study, "run.json"),
            secondary_run=_read_run(study, "secondary_run.json"),
            **results,
        )
