"""The store: one DuckDB file per study, opened, locked and changed only here.

Whatever goes wrong inside DuckDB because of the file, the disk or another program is told as
a ``StoreError``; any other database error is a bug and passes through.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

import duckdb
import polars as pl

from pipeline.contracts import load_contracts, record_ddl
from pipeline.disk import FULL_WORDS
from pipeline.errors import DiskFullError, StoreError, StoreInUseError
from pipeline.lock import Lock, holder

_FORMAT = 1
_MEMORY_LIMIT = "1GB"
_HEADERS_BYTES = 3 * 4096  # before the first block
_MAGIC = b"DUCK"  # bytes 8 to 12 of every DuckDB file

_BOOKKEEPING = (
    "CREATE TABLE store_format (format INTEGER, tables_sha256 VARCHAR)",
    "CREATE TABLE files (file_no INTEGER, file_sha256 VARCHAR, name VARCHAR, folder VARCHAR, "
    "size_bytes BIGINT, status VARCHAR, rows_read BIGINT, rows_accepted BIGINT, "
    "rows_rejected BIGINT, ingested_at TIMESTAMPTZ, problem VARCHAR, mend VARCHAR, "
    "fingerprint VARCHAR)",
    "CREATE TABLE rejected_rows (file_sha256 VARCHAR, file_name VARCHAR, sheet VARCHAR, "
    '"row" BIGINT, record VARCHAR, "column" VARCHAR, "value" VARCHAR, rule VARCHAR, '
    "mend VARCHAR, ingested_at TIMESTAMPTZ)",
)
_ORDER = {
    "files": "file_no",
    "rejected_rows": 'file_name, sheet, "row", record, "column", rule, "value"',
}
_FILE_TROUBLE = (
    duckdb.IOException,
    duckdb.OutOfMemoryException,
    duckdb.FatalException,
    duckdb.InternalException,
    duckdb.SerializationException,
    duckdb.ConnectionException,
)


def _table_statements() -> list[str]:
    statements = list(_BOOKKEEPING)
    for contract in load_contracts().values():
        statements += record_ddl(contract)
    return statements


def is_lock_trouble(error: duckdb.Error) -> bool:
    """Whether another program or connection has the file open."""
    return isinstance(error, duckdb.ConnectionException) or any(
        words in str(error) for words in ("set lock on file", "used by another process")
    )


@contextmanager
def store_errors(path: Path) -> Iterator[None]:
    """Tell trouble with the store's file, its disk or its memory in plain words.

    Raises
    ------
    StoreError
        DuckDB could not open, read or write the file, or ran out of disk or memory.
    """
    try:
        yield
    except duckdb.Error as error:
        said = str(error)
        is_full = any(words in said for words in FULL_WORDS)
        if not (is_full or isinstance(error, _FILE_TROUBLE) or "Corrupt" in said):
            raise
        first_line = said.partition("\n")[0] or type(error).__name__
        if is_full:
            raise DiskFullError(
                f"The disk is full: {path} could not be written and is as it was before this step.",
                mend="Free some space and give the same command again.",
            ) from error
        if isinstance(error, duckdb.OutOfMemoryException):
            raise StoreError(
                f"{path}: the step needs more memory or disk than there is ({first_line}).",
                mend="Free some space, close other programs and give the same command again.",
            ) from error
        if is_lock_trouble(error):
            raise StoreInUseError(
                f"{path} is in use by {holder(path.with_suffix('.lock'))}.",
                mend="Wait until it has ended, or close what has it open, and try again.",
            ) from error
        raise _damaged(path, first_line) from error


def rebuild_words(path: Path) -> str:
    """How to mend a store at ``path`` that is damaged or of another version."""
    return (
        f"Run: winterpool rebuild {path.parent}. Everything is loaded again from the archived "
        "files, and the old store is kept beside the new one."
    )


def _damaged(path: Path, why: str) -> StoreError:
    return StoreError(f"{path} cannot be read as a store: {why}", mend=rebuild_words(path))


class Store:
    """An open store; use ``Store.open`` in a ``with`` block."""

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection, lock: Lock | None):
        self.path = path
        self.connection = connection
        self._lock = lock

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False) -> Store:
        """Open the store, making it when it is not there yet.

        Parameters
        ----------
        path : Path
            The DuckDB file.
        read_only : bool
            Open without taking the lock; the store must exist.

        Raises
        ------
        StoreError
            The store is locked, damaged, not a store of ours, of another version (see
            ``rebuild.py``), or missing when opened read-only.
        """
        _refuse_pattern(path)
        lock = None if read_only else Lock.take(path.with_suffix(".lock"))
        try:
            return cls(path, _connected(path, read_only), lock)
        except BaseException:
            if lock:
                lock.release()
            raise

    def close(self) -> None:
        """Write out what is pending and give the lock back."""
        try:
            with store_errors(self.path):
                self.connection.close()
        finally:
            if self._lock:
                self._lock.release()
                self._lock = None

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if not isinstance(error, duckdb.Error):
            self.close()
            return
        with suppress(StoreError):  # of the same damage
            self.close()
        with store_errors(self.path):
            raise error

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All changes of the block, or none of them.

        Raises
        ------
        StoreError
            The changes could not be written.
        """
        with store_errors(self.path):
            self.connection.execute("BEGIN TRANSACTION")
            try:
                yield
                self.connection.execute("COMMIT")
            except BaseException:
                with suppress(duckdb.Error):  # a failed commit has rolled back already
                    self.connection.execute("ROLLBACK")
                raise

    def has_table(self, name: str) -> bool:
        """Whether a table or view of that name is there."""
        found = self.connection.execute(
            "SELECT count(*) FROM information_schema.tables WHERE table_name = ?", [name]
        ).fetchall()
        return bool(found[0][0])

    def table(self, name: str) -> pl.DataFrame:
        """Return a table's rows: of a record the current ones, by key, without provenance.

        Parameters
        ----------
        name : str
            A record, ``files``, ``rejected_rows`` or a derived table.

        Raises
        ------
        StoreError
            There is no such table, or it cannot be read.
        """
        if not self.has_table(name):
            raise StoreError(
                f"{self.path} has no table {name!r}.", mend="Run winterpool prepare first."
            )
        order = _ORDER.get(name, "")
        if name in load_contracts():
            order = ", ".join(f'"{column}"' for column in load_contracts()[name].key)
        with store_errors(self.path):
            by = f" ORDER BY {order}" if order else ""
            return self.connection.sql(f'FROM "{name}"{by}').pl()

    def replace_table(self, name: str, frame: pl.DataFrame) -> None:
        """Write a derived table, in place of what stood under its name.

        Raises
        ------
        StoreError
            The name is a record's or one of the store's own, or the table cannot be written.
        """
        own = {"files", "rejected_rows", "store_format"}
        for record in load_contracts():
            own |= {record, f"{record}_rows"}
        if name in own:
            raise StoreError(
                f"{name} holds what members sent and is never overwritten.",
                mend="Give the derived table another name.",
            )
        with store_errors(self.path):
            self.connection.register("_incoming", frame)
            try:
                self.connection.execute(f'CREATE OR REPLACE TABLE "{name}" AS FROM _incoming')
            finally:
                with suppress(duckdb.Error):  # inside a transaction that has failed
                    self.connection.unregister("_incoming")


def _refuse_pattern(path: Path) -> None:
    """Refuse a folder whose name table readers would take for a pattern of names."""
    found = sorted(set(str(path.absolute())) & set("*?["))
    if found:
        raise StoreError(
            f"{path.parent} holds {' '.join(found)} in its name, by which several files are meant "
            "when tables are read.",
            mend="Give the folder a name without * ? and [.",
        )


def _connected(path: Path, read_only: bool) -> duckdb.DuckDBPyConnection:
    is_new = not path.exists()
    if read_only and is_new:
        raise StoreError(
            f"{path} does not exist.", mend="Run winterpool ingest to load the files first."
        )
    if not is_new:
        with path.open("rb") as file:
            if file.read(12)[8:] != _MAGIC:
                raise _damaged(path, "it is not a DuckDB file.")
    is_at_rest = not is_new and not path.with_name(path.name + ".wal").exists()
    with store_errors(path):
        connection = duckdb.connect(
            path,
            read_only=read_only,
            config={
                "memory_limit": _MEMORY_LIMIT,
                "temp_directory": str(path.with_suffix(".tmp")),
                "autoinstall_known_extensions": False,
                "autoload_known_extensions": False,
            },
        )
    try:
        with store_errors(path):
            connection.execute("SET TimeZone = 'UTC'")
            if is_at_rest:
                _refuse_cut_off(path, connection)
            _make_or_check(path, connection, read_only=read_only)
    except BaseException:
        connection.close()
        raise
    return connection


def _refuse_cut_off(path: Path, connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse a file that cannot hold its blocks in use; DuckDB itself notices when it reads them.

    Free blocks at the end may never have been written, so only those in use are counted.
    """
    ((size, blocks),) = connection.sql(
        "SELECT block_size, used_blocks FROM pragma_database_size()"
    ).fetchall()
    if path.stat().st_size < _HEADERS_BYTES + size * blocks:
        raise _damaged(path, "its end is missing.")


def _make_or_check(path: Path, connection: duckdb.DuckDBPyConnection, *, read_only: bool) -> None:
    statements = _table_statements()
    digest = hashlib.sha256("\n".join(statements).encode()).hexdigest()
    tables = connection.sql("SELECT table_name FROM information_schema.tables").fetchall()
    if not tables:  # new, or its making was interrupted
        connection.execute("BEGIN TRANSACTION")
        for statement in statements:
            connection.execute(statement)
        connection.execute("INSERT INTO store_format VALUES (?, ?)", [_FORMAT, digest])
        connection.execute("COMMIT")
        return
    if ("store_format",) not in tables:
        raise _damaged(path, "it is a database of something else.")
    [(number, made_with)] = connection.sql("FROM store_format").fetchall()
    if number != _FORMAT or (made_with != digest and not _lacks_only_records(connection)):
        raise _damaged(path, "another version of Winterpool made it.")
    if made_with != digest:
        _add_records(connection, digest, {name for (name,) in tables}, read_only=read_only)


def _columns(connection: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[str, str]]]:
    columns: dict[str, list[tuple[str, str]]] = {}
    for table, column, kind in connection.sql(
        "SELECT table_name, column_name, data_type FROM information_schema.columns "
        "ORDER BY table_name, ordinal_position"
    ).fetchall():
        columns.setdefault(table, []).append((column, kind))
    return columns


def _lacks_only_records(connection: duckdb.DuckDBPyConnection) -> bool:
    """Whether every table of today that the store has is as today, some of today's missing."""
    found = _columns(connection)
    with duckdb.connect(":memory:") as fresh:
        for statement in _table_statements():
            fresh.execute(statement)
        today = _columns(fresh)
    return all(found[table] == columns for table, columns in today.items() if table in found)


def _add_records(
    connection: duckdb.DuckDBPyConnection, digest: str, present: set[str], *, read_only: bool
) -> None:
    """Make the empty tables of records that are newer than the store; for reading, passing ones."""
    connection.execute("BEGIN TRANSACTION")
    for name, contract in load_contracts().items():
        if name not in present:
            for statement in record_ddl(contract):
                passing = statement.replace("CREATE ", "CREATE TEMP ", 1)
                connection.execute(passing if read_only else statement)
    if not read_only:
        connection.execute("UPDATE store_format SET tables_sha256 = ?", [digest])
    connection.execute("COMMIT")
