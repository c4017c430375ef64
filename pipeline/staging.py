"""Staging: one file read and checked row by row, before anything touches the store.

Good rows go to Parquet files, one for each batch and record; the lines of rejected rows too.
So memory stays small however long the file is. A few rows are held in memory instead: those of
hundreds of small files are written together when they are loaded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from itertools import count
from pathlib import Path

import polars as pl
from pyarrow.parquet import write_table

from pipeline.checks import REJECTED_SCHEMA, check_rows
from pipeline.contracts import Contract, Reference
from pipeline.mapping import TablePlan
from pipeline.progress import Task
from pipeline.readers import ROW, TextTable

SHEET, ORDINAL, FILE_NO = "_sheet", "_ordinal", "_file_no"
LINE_SCHEMA = pl.Schema({"sheet": pl.String(), "record": pl.String(), **REJECTED_SCHEMA})
"""A line of ``rejected_rows`` before the file's own columns are added."""
_MOST_HELD = 5_000
"""Rows of one record and file that are held in memory."""
_HASH_SEED = 20240
_TEXT_SHOWN = 200


@dataclass(slots=True)
class StagedRecord:
    """Good rows of one record in one file.

    Attributes
    ----------
    parts : list of Path
        Parquet files: the contract's columns, ``_row``, ``_sheet``, ``_file_no``, and ``_ordinal``,
        the row's place among the record's good rows.
    held : list of polars.DataFrame
        Rows that are in no file, as they would be there.
    rows : int
        Rows in both.
    hashes : list of polars.Series
        Hashes of the keys, in the order of ``_ordinal``; equal keys have equal hashes.
    references : dict
        For each reference the distinct values given, none of them null.
    duplicates : list of int
        Ordinals of the rows whose key an earlier row has.
    """

    contract: Contract
    parts: list[Path] = field(default_factory=list)
    held: list[pl.DataFrame] = field(default_factory=list)
    rows: int = 0
    hashes: list[pl.Series] = field(default_factory=list)
    references: dict[Reference, pl.DataFrame] = field(default_factory=dict)
    duplicates: list[int] = field(default_factory=list)


@dataclass(slots=True)
class StagedFile:
    """One file, read and checked: its good rows by record, its rejected rows, its counts.

    ``file_no`` is its place in the order of arrival, written beside every row.
    """

    folder: Path
    file_no: int = 0
    records: dict[str, StagedRecord] = field(default_factory=dict)
    lines: list[Path] = field(default_factory=list)
    rows_read: int = 0
    _number: Iterator[int] = field(default_factory=count)

    @property
    def _number_of_file(self) -> pl.Expr:
        return pl.lit(self.file_no, dtype=pl.Int32).alias(FILE_NO)

    def _path(self, kind: str) -> Path:
        return self.folder / f"{self.file_no}-{kind}-{next(self._number):06}.parquet"

    def reject(self, lines: pl.DataFrame, sheet: str, record: str) -> None:
        """Keep lines of rejected rows (``row, column, value, rule, mend``)."""
        if lines.height:
            path = self._path("rejected")
            whole = lines.with_columns(sheet=pl.lit(sheet), record=pl.lit(record))
            whole = whole.select(LINE_SCHEMA.names()).cast(LINE_SCHEMA)
            write_rows(whole.with_columns(self._number_of_file), path)
            self.lines.append(path)

    def accept(self, contract: Contract, rows: pl.DataFrame, sheet: str) -> None:
        """Keep good rows of one record, and what their keys and references need."""
        if not rows.height:
            return
        record = self.records.setdefault(contract.name, StagedRecord(contract))
        ordinal = pl.int_range(record.rows, record.rows + rows.height, dtype=pl.Int64)
        where = (pl.lit(sheet).alias(SHEET), ordinal.alias(ORDINAL), self._number_of_file)
        record.rows += rows.height
        if record.rows <= _MOST_HELD:
            record.held.append(rows.with_columns(where))
        else:
            path = self._path(contract.name)
            write_rows(rows.with_columns(where), path)
            record.parts.append(path)
        record.hashes.append(rows.select(pl.struct(contract.key).hash(_HASH_SEED)).to_series())
        for reference in contract.references:
            given = rows.lazy().select(reference.columns).drop_nulls().unique().collect()
            before = record.references.get(reference)
            record.references[reference] = (
                given if before is None else pl.concat([before, given]).unique()
            )


def write_rows(rows: pl.DataFrame, path: Path) -> None:
    """Write rows that are soon read again: by Arrow, plainly, in half the time Polars takes."""
    texts = [name for name, kind in rows.schema.items() if kind == pl.String]
    write_table(
        rows.to_arrow(compat_level=pl.CompatLevel.oldest()),
        path,
        compression="none",
        use_dictionary=texts,
        write_statistics=False,
        store_schema=False,
    )


def _unclaimed(table: TextTable, plan: TablePlan, batch: pl.DataFrame) -> pl.DataFrame:
    """Lines for rows that become rows of no record: ignored on purpose, or not mapped."""
    if any(record.where is None for record in plan.records):
        return pl.DataFrame(schema=REJECTED_SCHEMA)
    takes = [record.where for record in plan.records if record.where is not None]
    left = batch.filter(~pl.any_horizontal(takes)) if takes else batch
    is_ignored = pl.lit(False) if plan.ignored is None else plan.ignored
    reason = pl.lit("the mapping sets it aside")
    if plan.ignored_reason is not None:
        reason = plan.ignored_reason.fill_null("the mapping sets it aside")
    text = pl.concat_str(table.header, separator=", ", ignore_nulls=True).str.slice(0, _TEXT_SHOWN)
    where = f"the mapping {plan.mapping}" if plan.mapping else "a mapping"
    return left.select(
        row=pl.col(ROW),
        column=pl.lit(""),
        value=text,
        rule=pl.when(is_ignored).then(pl.lit("ignored by mapping")).otherwise(pl.lit("not mapped")),
        mend=pl.when(is_ignored)
        .then(pl.concat_str(pl.lit("Nothing to mend: "), reason, pl.lit(".")))
        .otherwise(pl.lit(f"Say in {where} what becomes of such rows.")),
    )


def _malformed(table: TextTable) -> pl.DataFrame:
    lines = [(m.row, m.column, m.text, m.rule, m.mend) for m in table.malformed]
    return pl.DataFrame(lines, schema=REJECTED_SCHEMA, orient="row")


def stage_table(
    staged: StagedFile,
    table: TextTable,
    plan: TablePlan,
    *,
    contracts: dict[str, Contract],
    today: date,
    task: Task,
) -> None:
    """Read and check one table, adding its rows to ``staged``.

    A row is one that was read; it may feed several records, and each accepts or rejects it on its
    own. A cell that the reader set aside is empty for them, and has its line among the rejected.

    Raises
    ------
    ReadError
        The file turns out to be broken further down.
    """
    for batch in table.batches:
        staged.rows_read += batch.height
        task.advance(batch.height)
        staged.reject(_unclaimed(table, plan, batch), table.sheet, "")
        for record in plan.records:
            contract = contracts[record.record]
            checked = check_rows(contract, record, batch, today)
            staged.accept(contract, checked.accepted, table.sheet)
            staged.reject(checked.rejected, table.sheet, contract.name)
    staged.rows_read += len({m.row for m in table.malformed if not m.column})
    staged.reject(_malformed(table), table.sheet, "")


def _as_text(contract: Contract, column: str) -> pl.Expr:
    if contract.field(column).type == "datetime":
        return pl.col(column).dt.strftime("%Y-%m-%dT%H:%M:%S+00:00")
    return pl.col(column).cast(pl.String)


def find_duplicates(staged: StagedFile) -> None:
    """Reject rows whose key an earlier row of the file has; the first row of a key stands.

    Only rows whose key hashes agree are compared in full, so long files cost little.
    """
    for name, record in staged.records.items():
        key = list(record.contract.key)
        hashes = pl.concat(record.hashes)
        record.hashes = []
        if hashes.n_unique() == record.rows:
            continue
        suspects = hashes.is_duplicated().arg_true().cast(pl.Int64)
        every = [frame.lazy() for frame in record.held]
        if record.parts:
            every.append(pl.scan_parquet(record.parts))
        rows = (
            pl.concat(every)
            .filter(pl.col(ORDINAL).is_in(suspects.implode()))
            .select(*key, ROW, SHEET, ORDINAL)
            .collect()
            .sort(ORDINAL)
            .with_columns(
                first_row=pl.col(ROW).first().over(key), first_sheet=pl.col(SHEET).first().over(key)
            )
        )
        later = rows.filter(~pl.struct(key).is_first_distinct())
        record.duplicates = later[ORDINAL].to_list()
        of_sheet = (
            pl.when(pl.col("first_sheet") != "")
            .then(pl.concat_str(pl.lit(" of sheet "), "first_sheet"))
            .otherwise(pl.lit(""))
        )
        lines = later.with_columns(
            row=pl.col(ROW),
            column=pl.lit(", ".join(key)),
            value=pl.concat_str([_as_text(record.contract, c) for c in key], separator=", "),
            rule=pl.lit("duplicate key"),
            mend=pl.concat_str(
                pl.lit("Keep one row only: row "),
                "first_row",
                of_sheet,
                pl.lit(f" has the same {', '.join(key)}."),
            ),
        )
        for (sheet,), part in lines.group_by(SHEET, maintain_order=True):
            staged.reject(part.select(REJECTED_SCHEMA.names()), str(sheet), name)


def stage_file(
    tables: Iterable[tuple[TextTable, TablePlan]],
    contracts: dict[str, Contract],
    folder: Path,
    today: date,
    task: Task,
    *,
    file_no: int = 0,
) -> StagedFile:
    """Read and check all tables of one file.

    Parameters
    ----------
    tables : iterable of (TextTable, TablePlan)
        Consumed in order.
    contracts : dict of Contract
    folder : Path
        Where the Parquet files go, named by the file's number.
    today : datetime.date
    task : Task
        Advanced by the rows read.
    file_no : int
        The file's place in the order of arrival.

    Returns
    -------
    StagedFile
        Each row read feeds a record or has a line among the rejected, or both.

    Raises
    ------
    WinterpoolError
        The file cannot be read to its end, or a table of it cannot be planned.
    """
    staged = StagedFile(folder, file_no)
    for table, plan in tables:
        stage_table(staged, table, plan, contracts=contracts, today=today, task=task)
    find_duplicates(staged)
    return staged
