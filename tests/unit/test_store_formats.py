"""Stores of every format there ever was: each goes on, or is refused and rebuilt from the archive.

``tests/studies/stores/FORMAT.sql`` is the schema that a program of then made, as text. A change of
the schema adds a file; none is ever edited.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.errors import StoreError
from pipeline.journal import Journal
from pipeline.progress import SILENT
from pipeline.rebuild import rebuild_study
from pipeline.settings import Settings
from pipeline.store import Store, _table_statements
from pipeline.study import Study
from tests.inbox import APIARIES, COLONIES, HEAD, TODAY, everything, ingest, put

STORES = Path(__file__).parents[1] / "studies" / "stores"
SCHEMAS = sorted(STORES.glob("*.sql"))
REFUSED = {"1-before-members", "1-prices-without-range"}  # a price may lie in a range since


def as_of_then(study: Study, schema: Path) -> None:
    """Make the study's store anew in an older schema, with the rows that fit it; no journal."""
    Journal(study.archive_path).path.unlink()
    today = study.path / "today.duckdb"
    study.store_path.rename(today)
    with duckdb.connect(study.store_path) as connection:
        connection.execute(schema.read_text(encoding="utf-8"))
        connection.execute("INSERT INTO store_format VALUES (1, 'of then')")
        connection.execute(f"ATTACH '{today}' AS today (READ_ONLY)")
        for name in ("files", "rejected_rows", "apiaries_rows", "colonies_rows", "weighings_rows"):
            connection.execute(f"INSERT INTO {name} BY NAME FROM today.{name}")


@pytest.fixture
def loaded(study: Study) -> Study:
    weighings = HEAD + "C1,2024-10-05,31.5,scale\nC9,2024-10-05,31.5,scale\n"
    put(study, z_first=APIARIES, b=COLONIES)
    ingest(study)
    put(study, a_later=weighings)
    ingest(study)
    return study


def test_the_schema_of_today_is_kept() -> None:
    kept = {path.read_text(encoding="utf-8").strip() for path in SCHEMAS}
    today = ";\n".join(_table_statements()) + ";"
    assert today in kept, "the schema has changed: add it to tests/studies/stores"


@pytest.mark.parametrize("schema", SCHEMAS, ids=lambda path: path.stem)
def test_an_older_store_goes_on_or_is_rebuilt(loaded: Study, schema: Path) -> None:
    before = everything(loaded)
    as_of_then(loaded, schema)
    if schema.stem in REFUSED:
        old = loaded.store_path.read_bytes()
        for read_only in (True, False):
            with pytest.raises(StoreError, match="another version of Winterpool") as told:
                Store.open(loaded.store_path, read_only=read_only)
            assert f"winterpool rebuild {loaded.path}" in told.value.mend
        assert loaded.store_path.read_bytes() == old
        made = rebuild_study(loaded, Settings(), SILENT, TODAY)
        assert made.backup is not None
        assert made.backup.read_bytes() == old
        assert made.unnamed == ()
    ingest(loaded)
    assert everything(loaded) == before
