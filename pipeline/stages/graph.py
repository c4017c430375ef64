"""The runner of the stages: order, contract checks, accounts, one transaction.

A stage's parameter names are the tables it reads, so its order follows from them. The runner
checks every table against its contract and balances its accounts: what came in is what was kept
and what was excluded, by reason.
"""

from __future__ import annotations

import inspect
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from graphlib import TopologicalSorter
from typing import Any, Final, get_type_hints

import polars as pl

from pipeline.contracts import load_derived_contracts
from pipeline.errors import StoreError
from pipeline.progress import Progress
from pipeline.settings import Settings
from pipeline.stages.colony_seasons import colony_seasons
from pipeline.stages.colony_winters import colony_winters
from pipeline.stages.degree_days import degree_days
from pipeline.stages.hive_envelopes import hive_envelopes
from pipeline.stages.mite_samples import mite_samples
from pipeline.stages.output import check_output
from pipeline.stages.sensor_days import sensor_days
from pipeline.stages.sensor_features import sensor_features
from pipeline.stages.sensor_hours import sensor_hours
from pipeline.stages.station_days import station_days
from pipeline.stages.stored import StoredTable
from pipeline.stages.stores_ledger import stores_ledger
from pipeline.stages.strengths import strengths
from pipeline.stages.weighing_windows import weighing_windows
from pipeline.stages.windows import UNIT
from pipeline.stages.winter_survival import winter_survival
from pipeline.store import Store

UNITS_TABLE: Final = "colony_seasons"
ACCOUNTS_TABLE: Final = "stage_accounts"


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage and what its accounts count.

    Parameters
    ----------
    function : callable
        From the tables named by its parameters to the table named like it.
    counted : str
        What one counted thing is called.
    reason_column : str
        Column that says why a row is not usable, empty when it is; each row is counted once.
    source : str
        Record whose rows came in, when the table's rows are not counted by a reason column.
    rows_column : str
        Column of the table that holds how many source rows went into each of its rows.
    outside : str
        Why a source row is in no row of the table.
    """

    function: Callable[..., pl.DataFrame]
    counted: str = "colony-winters"
    reason_column: str = ""
    source: str = ""
    rows_column: str = ""
    outside: str = ""

    @property
    def name(self) -> str:
        """The table it writes."""
        return self.function.__name__

    @property
    def reads(self) -> tuple[str, ...]:
        """The tables it reads."""
        return tuple(n for n in inspect.signature(self.function).parameters if n != "settings")

    @property
    def reads_stored(self) -> frozenset[str]:
        """Those of them that it reduces where they lie in the store."""
        hints = get_type_hints(self.function)
        return frozenset(name for name in self.reads if hints[name] is StoredTable)

    def run(self, given: Mapping[str, Any], settings: Settings) -> pl.DataFrame:
        """Call the function with the tables it reads, and the settings if it asks for them."""
        if "settings" in inspect.signature(self.function).parameters:
            return self.function(**given, settings=settings)
        return self.function(**given)


STAGES: Final = (
    Stage(sensor_days, "sensor readings", source="sensor_readings", rows_column="readings"),
    Stage(sensor_hours, "hours of hive air"),
    Stage(station_days, "station days", "weather_reason"),
    Stage(colony_seasons, reason_column="place_reason"),
    Stage(winter_survival, reason_column="survival_reason"),
    Stage(strengths, reason_column="autumn_strength_reason"),
    Stage(hive_envelopes, reason_column="level_reason"),
    Stage(weighing_windows, reason_column="window_reason"),
    Stage(stores_ledger, reason_column="stores_reason"),
    Stage(degree_days, reason_column="weather_reason"),
    Stage(mite_samples, "mite counts", source="mite_counts", outside="outside the autumn window"),
    Stage(sensor_features, reason_column="sensor_reason"),
    Stage(colony_winters, reason_column="exclusion_reason"),
)


@dataclass(frozen=True, slots=True)
class StageReport:
    """What one stage did: rows written, and its accounts in what ``counted`` names."""

    stage: str
    counted: str
    rows: int
    n_in: int
    n_kept: int
    excluded: Mapping[str, int] = field(default_factory=dict)
    seconds: float = 0.0


def ordered_stages() -> tuple[Stage, ...]:
    """The stages, each after those whose tables it reads; as listed among equals."""
    by_name = {stage.name: stage for stage in STAGES}
    needs = {s.name: [name for name in by_name if name in s.reads] for s in STAGES}
    return tuple(by_name[name] for name in TopologicalSorter(needs).static_order())


def stage_names() -> tuple[str, ...]:
    """Names of the derived tables, in the order in which they are built."""
    return (*(stage.name for stage in ordered_stages()), ACCOUNTS_TABLE)


def unbalanced(stage: str, what: str) -> StoreError:
    """Build the error for accounts that do not balance."""
    return StoreError(
        f"The accounts of {stage} do not balance: {what}.",
        mend="Nothing was written. Report this with the study's settings; it is a fault of ours.",
    )


def balance(
    stage: Stage, table: pl.DataFrame, units: pl.DataFrame | None, n_source: int | None
) -> StageReport:
    """Account for everything that came into a stage.

    Parameters
    ----------
    stage : Stage
        The stage that wrote the table.
    table : polars.DataFrame
        What it wrote.
    units : polars.DataFrame, optional
        The units of ``colony_seasons``, for a table with one row per colony-winter.
    n_source : int, optional
        Rows of the record that the stage counts.

    Raises
    ------
    StoreError
        A unit is missing or doubled, or more source rows came out than went in.
    """
    if n_source is not None:
        kept = int(table[stage.rows_column].sum()) if stage.rows_column else len(table)
        lost = n_source - kept
        if lost < 0 or (lost and not stage.outside):
            raise unbalanced(stage.name, f"{n_source} {stage.counted} in, {kept} out")
        excluded = {stage.outside: lost} if lost else {}
        return StageReport(stage.name, stage.counted, len(table), n_source, kept, excluded)
    if units is not None and not table.select(UNIT).sort(UNIT).equals(units.select(UNIT)):
        raise unbalanced(stage.name, f"{len(units)} {stage.counted} in, {len(table)} rows out")
    if not stage.reason_column:
        return StageReport(stage.name, stage.counted, len(table), len(table), len(table))
    reasons = table.get_column(stage.reason_column).drop_nulls()
    counts = dict(reasons.value_counts().sort(stage.reason_column).iter_rows())
    kept = len(table) - len(reasons)
    return StageReport(stage.name, stage.counted, len(table), len(table), kept, counts)


def accounts_frame(reports: list[StageReport]) -> pl.DataFrame:
    """Lay out the accounts as the ``stage_accounts`` table: in, kept and excluded by reason."""
    lines: list[tuple[str, str, str, str | None, int]] = []
    for report in reports:
        head = (report.stage, report.counted)
        lines += [(*head, "in", None, report.n_in), (*head, "kept", None, report.n_kept)]
        lines += [(*head, "excluded", reason, n) for reason, n in report.excluded.items()]
    schema = {
        "stage": pl.String,
        "counted": pl.String,
        "status": pl.String,
        "reason": pl.String,
        "n": pl.Int64,
    }
    frame = pl.DataFrame(lines, schema=schema, orient="row")
    return frame.with_row_index("line_no", offset=1).with_columns(pl.col("line_no").cast(pl.Int64))


def build_tables(
    read: Callable[[str], pl.DataFrame],
    stored: Callable[[str], StoredTable],
    settings: Settings,
    progress: Progress,
) -> tuple[dict[str, pl.DataFrame], list[StageReport]]:
    """Run every stage on tables read by name and check what each writes.

    Parameters
    ----------
    read : callable
        From a record's name to its current rows.
    stored : callable
        From a record's name to its stored table.
    settings : Settings
        The study's settings.
    progress : Progress
        Where the work is shown.

    Returns
    -------
    tables : dict of str to polars.DataFrame
        Every derived table but the accounts.
    reports : list of StageReport
        In the order of the stages.

    Raises
    ------
    ContractError
        A stage's table does not keep its contract.
    StoreError
        A stage's accounts do not balance.
    """
    contracts = load_derived_contracts()
    tables: dict[str, pl.DataFrame] = {}
    records: dict[str, pl.DataFrame] = {}
    reports = []
    stages = ordered_stages()

    def given_to(stage: Stage) -> dict[str, Any]:
        given: dict[str, Any] = {}
        for name in stage.reads:
            if name in stage.reads_stored:
                given[name] = stored(name)
            elif name in tables:
                given[name] = tables[name]
            else:
                if name not in records:
                    records[name] = read(name)
                given[name] = records[name]
        return given

    with progress.task("deriving tables", total=len(stages), unit="tables") as task:
        for stage in stages:
            task.update(note=stage.name)
            begun = time.monotonic()
            given = given_to(stage)
            table = stage.run(given, settings)
            check_output(table, contracts[stage.name])
            is_per_unit = contracts[stage.name].key == UNIT and stage.name != UNITS_TABLE
            report = balance(
                stage,
                table,
                units=tables[UNITS_TABLE] if is_per_unit else None,
                n_source=_rows(given[stage.source]) if stage.source else None,
            )
            tables[stage.name] = table
            reports.append(replace(report, seconds=time.monotonic() - begun))
            task.advance()
    return tables, reports


def _rows(table: pl.DataFrame | StoredTable) -> int:
    return table.count() if isinstance(table, StoredTable) else len(table)


def derive(store: Store, settings: Settings, progress: Progress) -> list[StageReport]:
    """Build every derived table of a study and write them together.

    Parameters
    ----------
    store : Store
        Open for writing.
    settings : Settings
        The study's settings.
    progress : Progress
        Where the work is shown.

    Returns
    -------
    list of StageReport
        In the order of the stages; the same accounts stand in the table ``stage_accounts``.

    Raises
    ------
    ContractError
        A stage's table does not keep its contract.
    StoreError
        A stage's accounts do not balance, or the tables cannot be written.
    """
    tables, reports = build_tables(
        store.table, lambda name: StoredTable(store.connection, name), settings, progress
    )
    accounts = accounts_frame(reports)
    check_output(accounts, load_derived_contracts()[ACCOUNTS_TABLE])
    with store.transaction():
        for name, table in tables.items():
            store.replace_table(name, table)
        store.replace_table(ACCOUNTS_TABLE, accounts)
    return reports
