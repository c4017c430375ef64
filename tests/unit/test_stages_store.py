"""Deriving a study's tables in its store."""

import polars as pl
import pytest

from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.stages import graph
from pipeline.store import Store


def load(store, table, columns):
    """Put one row into a record's table as ingest does, with its provenance."""
    given = columns | {
        "_file_sha256": "0" * 64,
        "_file_no": 1,
        "_sheet": "",
        "_row": 2,
        "_ingested_at": "2024-06-01T00:00:00+00:00",
        "_is_superseded": False,
    }
    names = ", ".join(f'"{name}"' for name in given)
    marks = ", ".join("?" for _ in given)
    store.connection.execute(
        f'INSERT INTO "{table}_rows" ({names}) VALUES ({marks})', list(given.values())
    )


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "store.duckdb") as opened:
        load(opened, "apiaries", {"apiary_id": "yard", "member_id": "member A"})
        load(opened, "colonies", {"colony_id": "a", "apiary_id": "yard"})
        load(opened, "set_ups", {"colony_id": "a", "winter": 2023})
        for hour in range(3):
            load(
                opened,
                "sensor_readings",
                {
                    "colony_id": "a",
                    "logged_at": f"2024-01-01T{hour:02d}:30:00+00:00",
                    "position": "floor",
                    "temperature_c": 4.0 + hour,
                },
            )
        yield opened


def test_derive_writes_every_table_and_its_accounts(store):
    reports = graph.derive(store, Settings(), SILENT)
    for name in graph.stage_names():
        assert store.has_table(name), name
    days = store.table("sensor_days")
    assert days.select("readings", "temperature_mean_c").rows() == [(3, 5.0)]
    winters = store.table("colony_winters")
    assert winters["exclusion_reason"].to_list() == [
        "material or thickness of the hive body not recorded"
    ]
    accounts = store.table("stage_accounts")
    assert accounts.filter(pl.col("status") == "in")["n"].to_list() == [r.n_in for r in reports]
    again = graph.derive(store, Settings(), SILENT)
    assert [r.n_kept for r in again] == [r.n_kept for r in reports]
    assert store.table("colony_winters").equals(winters)


def test_a_failing_stage_leaves_the_tables_as_they_were(store, monkeypatch):
    graph.derive(store, Settings(), SILENT)
    before = {name: store.table(name) for name in graph.stage_names()}
    load(store, "set_ups", {"colony_id": "a", "winter": 2022})

    class Interrupted(Exception):
        pass

    real, written = Store.replace_table, []

    def failing(self, name, frame):
        if len(written) == 5:
            raise Interrupted
        written.append(name)
        real(self, name, frame)

    monkeypatch.setattr(Store, "replace_table", failing)
    with pytest.raises(Interrupted):
        graph.derive(store, Settings(), SILENT)
    for name, table in before.items():
        assert store.table(name).equals(table), name
