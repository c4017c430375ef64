"""Loading: one staged file into the store, inside a transaction that the caller holds.

Everything here works on whole sets of rows, so that it does for ten million rows what it does
for ten. The file's place in the order of arrival decides which of two rows of one key is
current, whenever the file is loaded.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline import mends
from pipeline.contracts import Contract, Reference, Rule, load_contracts
from pipeline.staging import LINE_SCHEMA, ORDINAL, StagedFile, StagedRecord

UNKNOWN_REFERENCE = "unknown reference"


@dataclass(frozen=True, slots=True)
class FileEntry:
    """What the store knows of one file besides its rows."""

    file_no: int
    file_sha256: str
    name: str
    folder: str
    size_bytes: int
    fingerprint: str

    @property
    def key(self) -> str:
        """What a file is known by: its content, or its place where that may not be read."""
        return self.file_sha256 or f"{self.folder}/{self.name}"


def _names(columns: tuple[str, ...], table: str = "") -> str:
    prefix = f"{table}." if table else ""
    return ", ".join(f'{prefix}"{column}"' for column in columns)


def _equal(left: str, right: str, columns: tuple[str, ...], others: tuple[str, ...] = ()) -> str:
    pairs = zip(columns, others or columns, strict=True)
    return " AND ".join(f'{left}."{a}" = {right}."{b}"' for a, b in pairs)


def _as_text(columns: tuple[str, ...], table: str) -> str:
    return "concat_ws(', ', " + _names(columns, table) + ")"


def _literal(text: str | Path) -> str:
    return "'" + str(text).replace("'", "''") + "'"


class _Loading:
    """One file on its way into the store."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, entry: FileEntry, now: datetime
    ) -> None:
        self.connection = connection
        self.entry = entry
        self.now = now

    def add_lines(self, select: str, parameters: list[object] | None = None) -> None:
        """Add the lines of a query with the columns of ``LINE_SCHEMA`` to ``rejected_rows``."""
        columns = ", ".join(f'"{name}"' for name in LINE_SCHEMA.names())
        self.connection.execute(
            f"INSERT INTO rejected_rows (file_sha256, file_name, ingested_at, {columns}) "
            f"SELECT ?, ?, ?, {columns} FROM ({select})",
            [self.entry.file_sha256, self.entry.name, self.now, *(parameters or [])],
        )

    def load_record(self, record: StagedRecord, is_checked: dict[str, bool]) -> None:
        contract = record.contract
        source = f"read_parquet([{', '.join(_literal(part) for part in record.parts)}])"
        execute = self.connection.execute
        execute("CREATE OR REPLACE TEMP TABLE left_out (ordinal BIGINT)")
        if record.duplicates:
            self.connection.register("_later", pl.DataFrame({"ordinal": record.duplicates}))
            execute("INSERT INTO left_out FROM _later")
            self.connection.unregister("_later")
        for reference in contract.references:
            if is_checked[reference.record]:
                self._refuse_unknown(record, reference, source)
        for rule in contract.rules:
            if rule.kind == "at_most_referenced" and is_checked[rule.reference]:
                self._refuse_above_referenced(contract, rule, source)
        kept = f'"{ORDINAL}" NOT IN (FROM left_out)'
        is_whole = execute("SELECT count(*) FROM left_out").fetchall()[0][0] == 0
        execute(
            f'INSERT INTO "{contract.name}_rows" SELECT {_names(contract.columns)}, '
            f"?, ?, _sheet, _row, ?, false FROM {source} WHERE {'true' if is_whole else kept}",
            [self.entry.file_sha256, self.entry.file_no, self.now],
        )
        _supersede(self.connection, contract, self.entry.file_no)

    def _refuse_unknown(self, record: StagedRecord, reference: Reference, source: str) -> None:
        contract = record.contract
        self.connection.register("_given", record.references[reference])
        self.connection.execute(
            "CREATE OR REPLACE TEMP TABLE unknown AS SELECT given.* FROM _given AS given "
            f'ANTI JOIN "{reference.record}" AS known ON '
            + _equal("given", "known", reference.columns, reference.record_columns)
        )
        self.connection.unregister("_given")
        if not self.connection.execute("SELECT count(*) FROM unknown").fetchall()[0][0]:
            return
        found = (
            f"FROM {source} AS rows SEMI JOIN unknown ON "
            f"{_equal('rows', 'unknown', reference.columns)} "
            f'WHERE rows."{ORDINAL}" NOT IN (FROM left_out)'
        )
        self.add_lines(
            f"SELECT _sheet AS sheet, {_literal(contract.name)} AS record, _row AS row, "
            f'{_literal(", ".join(reference.columns))} AS "column", '
            f'{_as_text(reference.columns, "rows")} AS "value", '
            f"{_literal(UNKNOWN_REFERENCE)} AS rule, "
            f"{_literal(_reference_mend(reference))} AS mend {found}"
        )
        self.connection.execute(f'INSERT INTO left_out SELECT "{ORDINAL}" {found}')

    def _refuse_above_referenced(self, contract: Contract, rule: Rule, source: str) -> None:
        found = (
            f'FROM {source} AS rows JOIN "{rule.reference}" AS known ON '
            f"{_equal('rows', 'known', rule.on)} "
            f'WHERE rows."{rule.column}" > known."{rule.other}"'
        )
        self.add_lines(
            f"SELECT _sheet AS sheet, {_literal(contract.name)} AS record, _row AS row, "
            f'{_literal(rule.column)} AS "column", '
            f'CAST(rows."{rule.column}" AS VARCHAR) AS "value", {_literal(rule.kind)} AS rule, '
            f"{_literal(mends.rule_mend(contract, rule))} AS mend {found} "
            f'AND rows."{ORDINAL}" NOT IN (FROM left_out)'
        )
        self.connection.execute(f'INSERT INTO left_out SELECT rows."{ORDINAL}" {found}')


def _reference_mend(reference: Reference) -> str:
    return (
        f"Correct {', '.join(reference.columns)}, or send the row of {reference.record} it speaks "
        "of; this row is then tried again by itself."
    )


def _supersede(connection: duckdb.DuckDBPyConnection, contract: Contract, file_no: int) -> None:
    """Mark, among rows of one key, all but that of the latest file; only this file's keys moved.

    Rows outside the range of this file's keys are passed over by whole blocks, unread: most files
    speak of other colonies or other days than those before them.
    """
    rows = f'"{contract.name}_rows"'
    earlier, this, later = (f"_file_no {sign} {file_no}" for sign in "<=>")
    limits = ", ".join(f'min("{column}"), max("{column}")' for column in contract.key)
    [bounds] = connection.execute(f"SELECT {limits} FROM {rows} WHERE {this}").fetchall()
    within = " AND ".join(f'stored."{column}" BETWEEN ? AND ?' for column in contract.key)
    same = _equal("stored", "moved", contract.key)
    for stored, moved in ((f"{earlier} AND NOT _is_superseded", this), (this, later)):
        others = earlier if moved is this else later
        sought = f"SELECT 1 FROM {rows} AS stored WHERE {others} AND {within} LIMIT 1"
        if connection.execute(sought, bounds).fetchall():
            connection.execute(
                f"UPDATE {rows} AS stored SET _is_superseded = true FROM (SELECT "
                f"{_names(contract.key)} FROM {rows} WHERE {moved}) AS moved "
                f"WHERE {stored} AND {within} AND {same}",
                bounds,
            )


def _restore_current(connection: duckdb.DuckDBPyConnection, contract: Contract) -> None:
    """Decide anew which row is current, for the keys in the temporary table ``moved_keys``."""
    rows = f'"{contract.name}_rows"'
    connection.execute(
        f"UPDATE {rows} AS stored SET _is_superseded = stored._file_no < latest.file_no FROM ("
        f"SELECT {_names(contract.key, 'r')}, max(r._file_no) AS file_no FROM {rows} AS r "
        f"SEMI JOIN moved_keys ON {_equal('r', 'moved_keys', contract.key)} "
        f"GROUP BY ALL) AS latest WHERE {_equal('stored', 'latest', contract.key)}"
    )


def _keep_keys(connection: duckdb.DuckDBPyConnection, contract: Contract, where: str) -> None:
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE moved_keys AS SELECT DISTINCT {_names(contract.key)} "
        f'FROM "{contract.name}_rows" AS r WHERE {where}'
    )


def remove_file(connection: duckdb.DuckDBPyConnection, entry: FileEntry) -> bool:
    """Take a file's rows and rejected rows out of the store; True when it had any good rows."""
    had_rows = False
    is_known = connection.execute("SELECT 1 FROM files WHERE file_no = ?", [entry.file_no])
    if not is_known.fetchall():
        return False
    for contract in load_contracts().values():
        _keep_keys(connection, contract, f"r._file_no = {entry.file_no}")
        if not connection.execute("SELECT 1 FROM moved_keys LIMIT 1").fetchall():
            continue
        had_rows = True
        connection.execute(f'DELETE FROM "{contract.name}_rows" WHERE _file_no = {entry.file_no}')
        _restore_current(connection, contract)
    connection.execute("DELETE FROM rejected_rows WHERE file_sha256 = ?", [entry.file_sha256])
    return had_rows


def reject_orphans(connection: duckdb.DuckDBPyConnection, now: datetime) -> None:
    """Reject rows of any file whose reference has gone, and set their files' counts right."""
    for contract in load_contracts().values():
        for reference in contract.references:
            is_given = " AND ".join(f'r."{c}" IS NOT NULL' for c in reference.columns)
            orphan = (
                f'{is_given} AND NOT EXISTS (FROM "{reference.record}" AS known WHERE '
                f"{_equal('r', 'known', reference.columns, reference.record_columns)})"
            )
            _keep_keys(connection, contract, orphan)
            if not connection.execute("SELECT 1 FROM moved_keys LIMIT 1").fetchall():
                continue
            connection.execute(
                "INSERT INTO rejected_rows SELECT r._file_sha256, files.name, r._sheet, r._row, "
                f"{_literal(contract.name)}, {_literal(', '.join(reference.columns))}, "
                f"{_as_text(reference.columns, 'r')}, {_literal(UNKNOWN_REFERENCE)}, "
                f'{_literal(_reference_mend(reference))}, ? FROM "{contract.name}_rows" AS r '
                f"JOIN files ON files.file_no = r._file_no WHERE {orphan}",
                [now],
            )
            connection.execute(f'DELETE FROM "{contract.name}_rows" AS r WHERE {orphan}')
            _restore_current(connection, contract)
    connection.execute(
        "UPDATE files SET rows_rejected = found.n, rows_accepted = files.rows_read - found.n "
        "FROM (SELECT file_sha256, count(DISTINCT (sheet, row)) AS n FROM rejected_rows "
        "GROUP BY file_sha256) AS found WHERE files.file_sha256 = found.file_sha256 "
        "AND files.status = 'loaded'"
    )


def waiting_files(connection: duckdb.DuckDBPyConnection, today: date) -> list[str]:
    """Digests of loaded files with rejected rows that could be accepted now, in order of arrival.

    That is so when a missing reference has arrived, when the row that a value is measured by was
    sent anew, or when a date that lay in the future has come.
    """
    waits = [
        "rule = 'not_after_today' AND try_cast(\"value\" AS DATE) <= $today "
        'AND try_cast("value" AS DATE) > CAST(q.ingested_at AS DATE)'
    ]
    for contract in load_contracts().values():
        of_record = f"record = {_literal(contract.name)}"
        for reference in contract.references:
            known = _as_text(reference.record_columns, "known")
            waits.append(
                f"rule = {_literal(UNKNOWN_REFERENCE)} AND {of_record} AND "
                f'"column" = {_literal(", ".join(reference.columns))} AND "value" IN '
                f'(SELECT {known} FROM "{reference.record}" AS known)'
            )
        for rule in contract.rules:
            if rule.kind == "at_most_referenced":
                waits.append(
                    f"rule = {_literal(rule.kind)} AND {of_record} AND "
                    f'"column" = {_literal(rule.column)} AND q.ingested_at < '
                    f'(SELECT max(_ingested_at) FROM "{rule.reference}_rows")'
                )
    found = connection.execute(
        "SELECT file_sha256 FROM files WHERE status = 'loaded' AND file_sha256 IN (SELECT "
        f"file_sha256 FROM rejected_rows AS q WHERE ({') OR ('.join(waits)})) ORDER BY file_no",
        {"today": today},
    ).fetchall()
    return [sha256 for (sha256,) in found]


def load_file(
    connection: duckdb.DuckDBPyConnection,
    staged: StagedFile,
    entry: FileEntry,
    now: datetime,
    *,
    is_checked: dict[str, bool] | None = None,
) -> tuple[int, int]:
    """Put a staged file into the store, in place of what the file gave before.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Of an open store, in a transaction.
    staged : StagedFile
    entry : FileEntry
    now : datetime
        With a time zone; becomes the rows' time of ingest.
    is_checked : dict, optional
        For each record whether references to it are checked; all are otherwise.

    Returns
    -------
    tuple of int
        Rows read that are accepted, and rejected. A row with any line in ``rejected_rows`` counts
        as rejected, also when another record took something from it.
    """
    contracts = load_contracts()
    had_rows = remove_file(connection, entry)
    connection.execute("DELETE FROM files WHERE file_no = ?", [entry.file_no])
    loading = _Loading(connection, entry, now)
    if staged.lines:
        parts = ", ".join(_literal(part) for part in staged.lines)
        loading.add_lines(f"FROM read_parquet([{parts}])")
    for name in contracts:
        if name in staged.records:
            loading.load_record(staged.records[name], is_checked or dict.fromkeys(contracts, True))
    rejected = connection.execute(
        "SELECT count(DISTINCT (sheet, row)) FROM rejected_rows WHERE file_sha256 = ?",
        [entry.file_sha256],
    ).fetchall()[0][0]
    write_entry(
        connection,
        entry,
        now,
        status="loaded",
        rows=(staged.rows_read, staged.rows_read - rejected, rejected),
    )
    if had_rows:
        reject_orphans(connection, now)
    return staged.rows_read - rejected, rejected


def write_entry(
    connection: duckdb.DuckDBPyConnection,
    entry: FileEntry,
    now: datetime,
    *,
    status: str,
    rows: tuple[int, int, int] = (0, 0, 0),
    problem: str | None = None,
    mend: str | None = None,
) -> None:
    """Write the file's line in ``files``, in place of an earlier one."""
    connection.execute("DELETE FROM files WHERE file_no = ?", [entry.file_no])
    connection.execute(
        "INSERT INTO files (file_no, file_sha256, name, folder, size_bytes, fingerprint, status, "
        "rows_read, rows_accepted, rows_rejected, ingested_at, problem, mend) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            entry.file_no,
            entry.file_sha256,
            entry.name,
            entry.folder,
            entry.size_bytes,
            entry.fingerprint,
            status,
            *rows,
            now,
            problem,
            mend,
        ],
    )
