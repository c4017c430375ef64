"""Hashes of all tables of a store, for comparing two stores that should be the same."""

from __future__ import annotations

import duckdb

from pipeline.study import Study


def table_hashes(study: Study) -> dict[str, tuple[int, int]]:
    """Rows and hash of each table, whatever the order of its rows; times of ingest left out."""
    with duckdb.connect(study.store_path, read_only=True) as connection:
        tables = connection.sql(
            "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE'"
        ).fetchall()
        found = {}
        for (name,) in tables:
            columns = [
                f'"{column}"'
                for column, *_ in connection.sql(f'DESCRIBE "{name}"').fetchall()
                if not column.endswith("ingested_at")
            ]
            row = f"hash(row({', '.join(columns)}))"
            found[name] = connection.sql(
                f'SELECT count(*), coalesce(sum({row}::HUGEINT), 0) FROM "{name}"'
            ).fetchall()[0]
    return found
