"""The store: one writer, whole transactions, plain words for trouble."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.errors import StoreError
from pipeline.store import Store

HOLD = """
import sys, time
from pathlib import Path
from pipeline.store import Store
store = Store.open(Path(sys.argv[1]))
print("open", flush=True)
time.sleep(60)
"""
FILL = """
import resource, signal, sys
from pathlib import Path
import polars as pl
from pipeline.errors import StoreError
from pipeline.store import Store
resource.setrlimit(resource.RLIMIT_FSIZE, (4_000_000, 4_000_000))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
frame = pl.DataFrame({"a": pl.int_range(2_000_000, eager=True).hash(1), "b": "x"})
try:
    with Store.open(Path(sys.argv[1])) as store, store.transaction():
        store.replace_table("big", frame)
except StoreError as error:
    print(error.problem)
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.duckdb"


def test_tables_come_back_as_they_were_written(path: Path) -> None:
    frame = pl.DataFrame({"colony_id": ["a", "b"], "load": [1.5, None]})
    with Store.open(path) as store:
        store.replace_table("loads", frame)
        store.replace_table("loads", frame)
        assert store.has_table("loads")
        assert not store.has_table("weights")
    with Store.open(path, read_only=True) as store:
        assert_frame_equal(store.table("loads"), frame)
        assert store.table("weighings").height == 0
        assert store.table("sensor_readings").schema["logged_at"] == pl.Datetime("us", "UTC")
        with pytest.raises(StoreError, match="no table"):
            store.table("weights")


@pytest.mark.parametrize("name", ["weighings", "weighings_rows", "files", "rejected_rows"])
def test_what_members_sent_is_never_overwritten(path: Path, name: str) -> None:
    with Store.open(path) as store, pytest.raises(StoreError, match="never overwritten"):
        store.replace_table(name, pl.DataFrame({"a": [1]}))


def test_a_transaction_is_all_or_nothing(path: Path) -> None:
    with Store.open(path) as store:
        with pytest.raises(KeyboardInterrupt), store.transaction():
            store.replace_table("half", pl.DataFrame({"a": [1]}))
            raise KeyboardInterrupt
        assert not store.has_table("half")
        with store.transaction():
            store.replace_table("whole", pl.DataFrame({"a": [1]}))
    with Store.open(path, read_only=True) as store:
        assert store.table("whole").height == 1


def test_a_second_writer_is_told_who_holds_the_store(path: Path) -> None:
    with Store.open(path):
        held = json.loads(path.with_suffix(".lock").read_text())
        assert held["pid"] == os.getpid()
        with pytest.raises(StoreError) as refused:
            Store.open(path)
        assert f"process {os.getpid()} since {held['since']}" in refused.value.problem
    assert not path.with_suffix(".lock").exists()


def test_another_process_blocks_while_it_lives_and_not_when_killed(path: Path) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        with pytest.raises(StoreError, match=f"process {holder.pid} since"):
            Store.open(path)
        with pytest.raises(StoreError, match="in use"):
            Store.open(path, read_only=True)
    finally:
        holder.kill()
        holder.communicate()
    assert path.with_suffix(".lock").exists()
    with Store.open(path) as store:
        assert store.table("files").height == 0


def test_a_missing_store_cannot_be_only_read(path: Path) -> None:
    with pytest.raises(StoreError, match="does not exist"):
        Store.open(path, read_only=True)
    assert not path.exists()


@pytest.mark.parametrize("content", [b"", b"not a store", b"SQLite format 3\0" + bytes(4096)])
def test_a_file_that_is_no_store_is_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    with pytest.raises(StoreError, match="cannot be read as a store") as refused:
        Store.open(path)
    assert f"winterpool rebuild {path.parent}" in refused.value.mend
    assert path.read_bytes() == content
    assert not path.with_suffix(".lock").exists()


def test_a_damaged_store_is_told_in_plain_words(path: Path) -> None:
    with Store.open(path) as store:
        store.replace_table("big", pl.DataFrame({"a": pl.int_range(200_000, eager=True)}))
    whole = path.read_bytes()
    path.write_bytes(whole[:8192] + bytes(len(whole) - 8192))
    with pytest.raises(StoreError), Store.open(path) as store:
        store.table("big")
    path.write_bytes(whole[:5000])
    with pytest.raises(StoreError), Store.open(path) as store:
        store.table("big")


def test_a_database_of_something_else_is_refused(path: Path) -> None:
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE honey (a INTEGER)")
    with pytest.raises(StoreError, match="something else"):
        Store.open(path)


def test_a_store_older_than_a_record_goes_on(path: Path) -> None:
    with Store.open(path) as store:
        store.replace_table("kept", pl.DataFrame({"a": [1]}))
    with duckdb.connect(str(path)) as connection:
        connection.execute("DROP VIEW members; DROP TABLE members_rows")
        connection.execute("UPDATE store_format SET tables_sha256 = 'of then'")
    with Store.open(path, read_only=True) as store:
        assert store.table("members").columns == ["member_id", "may_publish"]
    with Store.open(path) as store:
        assert store.table("members").is_empty()
        assert store.table("kept")["a"].to_list() == [1]
    with duckdb.connect(str(path)) as connection:
        connection.execute("ALTER TABLE prices_rows ADD COLUMN of_then INTEGER")
        connection.execute("UPDATE store_format SET tables_sha256 = 'of then'")
    with pytest.raises(StoreError, match="another version"):
        Store.open(path)


def test_a_store_of_another_version_is_refused(path: Path) -> None:
    Store.open(path).close()
    with duckdb.connect(str(path)) as connection:
        connection.execute("UPDATE store_format SET format = 99")
    with pytest.raises(StoreError, match="another version"):
        Store.open(path)


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are set the POSIX way")
def test_a_full_disk_is_told_and_leaves_the_store_as_it_was(path: Path) -> None:
    with Store.open(path) as store:
        store.replace_table("small", pl.DataFrame({"a": [1]}))
    said = subprocess.run(
        [sys.executable, "-c", FILL, str(path)], capture_output=True, text=True, check=False
    )
    assert "The disk is full" in said.stdout, said.stderr
    with Store.open(path) as store:
        assert store.table("small").height == 1
        assert not store.has_table("big")
