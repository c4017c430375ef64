"""Loading: staged files into the store, inside a transaction that the caller holds.

Everything here works on whole sets of rows, so that it does for ten million rows what it does
for ten, and for a thousand files what it does for one. A file's place in the order of arrival
decides which of two rows of one key is current, whenever the file is loaded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline import mends
from pipeline.contracts import Contract, Reference, Rule, load_contracts
from pipeline.file_lines import FileEntry, FileLine, write_files
from pipeline.staging import FILE_NO, LINE_SCHEMA, ORDINAL, StagedFile, StagedRecord, write_rows

UNKNOWN_REFERENCE = "unknown reference"
_KEPT = (
    f"NOT EXISTS (FROM left_out WHERE left_out.{FILE_NO} = rows.{FILE_NO} "
    f"AND left_out.{ORDINAL} = rows.{ORDINAL})"
)


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


@dataclass(frozen=True, slots=True)
class Arrival:
    """A staged file on its way into the store; ``at``, with a time zone, is its rows' time."""

    entry: FileEntry
    staged: StagedFile
    at: datetime


class _Loading:
    """Files on their way into the store, together."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, arrivals: Sequence[Arrival]) -> None:
        self.connection = connection
        self.arrivals = arrivals
        frame = pl.DataFrame(
            [(a.entry.file_no, a.entry.file_sha256, a.entry.name, a.at) for a in arrivals],
            schema={
                FILE_NO: pl.Int32,
                "sha256": pl.String,
                "name": pl.String,
                "at": pl.Datetime("us", "UTC"),
            },
            orient="row",
        )
        self._put("arrivals", frame)

    def _put(self, table: str, frame: pl.DataFrame) -> None:
        self.connection.register("_incoming", frame)
        self.connection.execute(f"CREATE OR REPLACE TEMP TABLE {table} AS FROM _incoming")
        self.connection.unregister("_incoming")

    def add_lines(self, select: str) -> None:
        """Add the lines of a query with ``LINE_SCHEMA`` and ``_file_no`` to ``rejected_rows``."""
        columns = ", ".join(f'"{name}"' for name in LINE_SCHEMA.names())
        self.connection.execute(
            f"INSERT INTO rejected_rows (file_sha256, file_name, ingested_at, {columns}) "
            f"SELECT arrivals.sha256, arrivals.name, arrivals.at, {columns} FROM ({select}) "
            f"JOIN arrivals USING ({FILE_NO})"
        )

    def load_record(self, contract: Contract, is_checked: dict[str, bool]) -> None:
        given = {
            arrival.entry.file_no: arrival.staged.records[contract.name]
            for arrival in self.arrivals
            if contract.name in arrival.staged.records
        }
        if not given:
            return
        source = _parquet(self._parts(contract, list(given.values())))
        self._put("left_out", _duplicates(given))
        for reference in contract.references:
            if is_checked[reference.record]:
                self._refuse_unknown(contract, reference, list(given.values()), source)
        for rule in contract.rules:
            if rule.kind == "at_most_referenced" and is_checked[rule.reference]:
                self._refuse_above_referenced(contract, rule, source)
        [(left_out,)] = self.connection.execute("SELECT count(*) FROM left_out").fetchall()
        self.connection.execute(
            f'INSERT INTO "{contract.name}_rows" SELECT {_names(contract.columns, "rows")}, '
            f"arrivals.sha256, {FILE_NO}, _sheet, _row, arrivals.at, false "
            f"FROM {source} AS rows JOIN arrivals USING ({FILE_NO}) "
            + (f"WHERE {_KEPT}" if left_out else "")
        )
        _supersede(self.connection, contract, list(given))

    def _parts(self, contract: Contract, given: Sequence[StagedRecord]) -> list[Path]:
        """The record's Parquet files; what was held in memory becomes one of them."""
        parts = [part for record in given for part in record.parts]
        held = [frame for record in given for frame in record.held]
        if held:
            parts.append(self.arrivals[0].staged.folder / f"held-{contract.name}.parquet")
            write_rows(pl.concat(held), parts[-1])
        return parts

    def _refuse_unknown(
        self,
        contract: Contract,
        reference: Reference,
        given: Sequence[StagedRecord],
        source: str,
    ) -> None:
        values = [record.references[reference] for record in given]
        self.connection.register("_given", pl.concat(values).unique())
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
            f"{_equal('rows', 'unknown', reference.columns)} WHERE {_KEPT}"
        )
        self.add_lines(
            f"SELECT {FILE_NO}, _sheet AS sheet, {_literal(contract.name)} AS record, "
            f'_row AS row, {_literal(", ".join(reference.columns))} AS "column", '
            f'{_as_text(reference.columns, "rows")} AS "value", '
            f"{_literal(UNKNOWN_REFERENCE)} AS rule, "
            f"{_literal(_reference_mend(reference))} AS mend {found}"
        )
        self._leave_out(found)

    def _refuse_above_referenced(self, contract: Contract, rule: Rule, source: str) -> None:
        found = (
            f'FROM {source} AS rows JOIN "{rule.reference}" AS known ON '
            f"{_equal('rows', 'known', rule.on)} "
            f'WHERE rows."{rule.column}" > known."{rule.other}"'
        )
        self.add_lines(
            f"SELECT {FILE_NO}, _sheet AS sheet, {_literal(contract.name)} AS record, "
            f'_row AS row, {_literal(rule.column)} AS "column", '
            f'CAST(rows."{rule.column}" AS VARCHAR) AS "value", {_literal(rule.kind)} AS rule, '
            f"{_literal(mends.rule_mend(contract, rule))} AS mend {found} AND {_KEPT}"
        )
        self._leave_out(found)

    def _leave_out(self, found: str) -> None:
        self.connection.execute(
            f'INSERT INTO left_out SELECT rows.{FILE_NO}, rows."{ORDINAL}" {found}'
        )


def _parquet(parts: Sequence[Path]) -> str:
    return f"read_parquet([{', '.join(_literal(part) for part in parts)}])"


def _duplicates(given: dict[int, StagedRecord]) -> pl.DataFrame:
    """Rows whose key an earlier row of their file has: ``_file_no`` and ``_ordinal``."""
    places = [(number, ordinal) for number in given for ordinal in given[number].duplicates]
    return pl.DataFrame(places, schema={FILE_NO: pl.Int32, ORDINAL: pl.Int64}, orient="row")


def _reference_mend(reference: Reference) -> str:
    return (
        f"Correct {', '.join(reference.columns)}, or send the row of {reference.record} it speaks "
        "of; this row is then tried again by itself."
    )


def _supersede(
    connection: duckdb.DuckDBPyConnection, contract: Contract, file_nos: Sequence[int]
) -> None:
    """Mark, among rows of one key, all but that of the latest file; only these files' keys moved.

    Rows outside the range of these keys are passed over by whole blocks, unread: most files speak
    of other colonies or other days than those before them.
    """
    rows = f'"{contract.name}_rows"'
    is_ours = f"r._file_no IN ({', '.join(map(str, file_nos))})"
    limits = ", ".join(f'min(r."{column}"), max(r."{column}")' for column in contract.key)
    [bounds] = connection.execute(f"SELECT {limits} FROM {rows} AS r WHERE {is_ours}").fetchall()
    within = " AND ".join(f'r."{column}" BETWEEN ? AND ?' for column in contract.key)
    others = f"SELECT 1 FROM {rows} AS r WHERE NOT {is_ours} AND {within} LIMIT 1"
    if len(file_nos) > 1 or connection.execute(others, bounds).fetchall():
        _keep_keys(connection, contract, is_ours)
        _restore_current(connection, contract, within, bounds)


def _restore_current(
    connection: duckdb.DuckDBPyConnection,
    contract: Contract,
    within: str = "true",
    bounds: Sequence[object] = (),
) -> None:
    """Decide anew which row is current, for the keys in the temporary table ``moved_keys``.

    ``within`` may bound the rows ``r`` that can have these keys.
    """
    rows = f'"{contract.name}_rows"'
    is_earlier = "r._file_no < latest.file_no"
    connection.execute(
        f"UPDATE {rows} AS r SET _is_superseded = {is_earlier} FROM ("
        f"SELECT {_names(contract.key, 'r')}, max(r._file_no) AS file_no FROM {rows} AS r "
        f"SEMI JOIN moved_keys ON {_equal('r', 'moved_keys', contract.key)} WHERE {within} "
        f"GROUP BY ALL) AS latest WHERE {_equal('r', 'latest', contract.key)} AND {within} "
        f"AND r._is_superseded <> ({is_earlier})",
        [*bounds, *bounds],
    )


def _keep_keys(connection: duckdb.DuckDBPyConnection, contract: Contract, where: str) -> None:
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE moved_keys AS SELECT DISTINCT {_names(contract.key)} "
        f'FROM "{contract.name}_rows" AS r WHERE {where}'
    )


def remove_file(connection: duckdb.DuckDBPyConnection, entry: FileEntry) -> bool:
    """Take a file's rows and rejected rows out of the store; True when it had any good rows."""
    had_rows = False
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


def load_files(
    connection: duckdb.DuckDBPyConnection,
    arrivals: Sequence[Arrival],
    *,
    is_checked: dict[str, bool] | None = None,
) -> list[FileLine]:
    """Put staged files into the store, each in place of what it gave before.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Of an open store, in a transaction.
    arrivals : sequence of Arrival
        Loaded as one, record by record, so that what rows refer to comes before them.
    is_checked : dict, optional
        For each record whether references to it are checked; all are otherwise.

    Returns
    -------
    list of FileLine
        What became of each. A row with any line in ``rejected_rows`` counts as rejected, also when
        another record took something from it.
    """
    contracts = load_contracts()
    numbers = ", ".join(str(arrival.entry.file_no) for arrival in arrivals)
    known = connection.execute(f"SELECT file_no FROM files WHERE file_no IN ({numbers})").fetchall()
    before = [arrival.entry for arrival in arrivals if (arrival.entry.file_no,) in known]
    had_rows = any([remove_file(connection, entry) for entry in before])
    loading = _Loading(connection, arrivals)
    lines = [part for arrival in arrivals for part in arrival.staged.lines]
    if lines:
        loading.add_lines(f"FROM {_parquet(lines)}")
    for contract in contracts.values():
        loading.load_record(contract, is_checked or dict.fromkeys(contracts, True))
    rejected = dict(
        connection.execute(
            "SELECT file_sha256, count(DISTINCT (sheet, row)) FROM rejected_rows "
            "SEMI JOIN arrivals ON arrivals.sha256 = file_sha256 GROUP BY file_sha256"
        ).fetchall()
    )
    found = []
    for arrival in arrivals:
        read, refused = arrival.staged.rows_read, rejected.get(arrival.entry.file_sha256, 0)
        found.append(FileLine(arrival.entry, arrival.at, "loaded", (read, read - refused, refused)))
    write_files(connection, found)
    if had_rows:
        reject_orphans(connection, arrivals[-1].at)
    return found
