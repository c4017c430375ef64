"""The ledger: which files a store holds, read from a store of any version, damaged or not."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.journal import JournalLine
from pipeline.store import is_lock_trouble, store_errors

_LEDGER_SQL = """
SELECT file_no, file_sha256, name, folder, size_bytes, status,
       CASE WHEN status = 'loaded' THEN '' ELSE coalesce(fingerprint, '') END,
       CASE WHEN status = 'loaded' THEN '' ELSE coalesce(problem, '') END,
       CASE WHEN status = 'loaded' THEN '' ELSE coalesce(mend, '') END
FROM files ORDER BY file_no
"""


def read_ledger(path: Path) -> list[JournalLine]:
    """Read the names and order of files from a store of any version; nothing where it is damaged.

    Raises
    ------
    StoreError
        Another program has the store open for writing.
    """
    if not path.exists():
        return []
    try:
        with duckdb.connect(path, read_only=True) as connection:
            lines = connection.execute(_LEDGER_SQL).fetchall()
    except duckdb.Error as error:
        if is_lock_trouble(error):
            with store_errors(path):
                raise
        return []
    return [
        JournalLine(no, sha256, name, folder, size, status, "", *of_rejected)
        for no, sha256, name, folder, size, status, *of_rejected in lines
    ]
