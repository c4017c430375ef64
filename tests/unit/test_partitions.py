"""Loggers' features file by file: the same as at once, also when a worker dies."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import partitions
from pipeline.errors import StoreError, StudyError
from pipeline.partitions import TABLES, features_of_partition, sensor_features_of, write_partitions
from pipeline.progress import SILENT, Progress
from pipeline.runner import ingest
from pipeline.settings import Settings
from pipeline.stages.graph import derive
from pipeline.store import Store
from pipeline.study import new_study
from tests.benchmarks.associations import Size, hourly_readings, records, write_association

POSITIONS = ("brood nest", "under cover", "outside")
Study = tuple[dict[str, pl.DataFrame], pl.DataFrame, str]


@pytest.fixture(scope="module")
def logged(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Small tables, the features made at once, and where the readings lie in three files.

    Six of eight colonies are logged.
    """
    folder = tmp_path_factory.mktemp("logged")
    study = new_study(folder / "study")
    size = Size(members=2, colonies_each=4, winters=1)
    write_association(study.inbox_path, study.weather_path, records(size))
    every = hourly_readings(size, POSITIONS)
    some = every.filter(pl.col("logged_at").dt.hour() % 6 == 0, pl.col("colony_id") < "C6")
    some.write_csv(study.inbox_path / "log.csv", datetime_format="%Y-%m-%dT%H:%M:%S%:z")
    ingest(study.path, SILENT)
    url = str(folder / "readings")
    with Store.open(study.store_path) as store:
        derive(store, Settings(), SILENT)
        assert write_partitions(store, url, colonies_each=2) == 3
        tables = {name: store.table(name) for name in TABLES}
        return tables, store.table("sensor_features"), url


@contextmanager
def in_this_process(scheduler: str | None, workers: int) -> Iterator[Any]:
    """A client that does at once what it is given, as the cluster's tests do it elsewhere."""
    from concurrent.futures import Future

    class Done(Future):  # type: ignore[type-arg]
        def release(self) -> None:
            """As a cluster's future."""

    class Client:
        def submit(self, function: Any, *arguments: Any, pure: bool) -> Done:
            done = Done()
            done.set_result(function(*arguments))
            return done

    yield Client()


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    import distributed

    monkeypatch.setattr(partitions, "connected", in_this_process)
    monkeypatch.setattr(distributed, "as_completed", list)


def test_features_file_by_file_are_those_made_at_once(logged: Study, here: None) -> None:
    tables, at_once, url = logged
    assert at_once["sensor_days"].min() == 0  # of colonies without readings
    assert at_once["condensation_measured_h"].max() > 500
    found = sensor_features_of(url, tables, Settings(), SILENT)
    assert_frame_equal(found, at_once, rel_tol=1e-12)
    assert sorted(p.name for p in Path(url).iterdir()) == [f"{n:06}.parquet" for n in range(3)]


def test_any_storage_that_fsspec_reaches_will_do(logged: Study, here: None) -> None:
    import fsspec

    tables, at_once, url = logged
    memory = fsspec.filesystem("memory")
    for path in Path(url).iterdir():
        memory.pipe(f"/pool/{path.name}", path.read_bytes())
    try:
        found = sensor_features_of("memory://pool", tables, Settings(), SILENT)
    finally:
        memory.rm("/pool", recursive=True)
    assert_frame_equal(found, at_once, rel_tol=1e-12)


def test_a_colony_in_two_files_is_refused(logged: Study, here: None, tmp_path: Path) -> None:
    tables, _, url = logged
    for name in ("a", "b"):
        first = Path(url) / "000000.parquet"
        (tmp_path / f"{name}.parquet").write_bytes(first.read_bytes())
    with pytest.raises(StoreError, match="colony C0 stand in several files"):
        sensor_features_of(str(tmp_path), tables, Settings(), SILENT)


@pytest.mark.parametrize(
    ("url", "words"),
    [("/nowhere/at/all", "no Parquet file of readings"), ("strange://pool", "kind of storage")],
)
def test_what_cannot_be_read_is_said_plainly(url: str, words: str) -> None:
    with pytest.raises(StudyError, match=words):
        sensor_features_of(url, {}, Settings(), SILENT)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda frame: frame.drop("weight_kg"), "lacks the columns weight_kg"),
        (lambda frame: frame.cast({"logged_at": pl.Datetime("us")}), "no moment with a time zone"),
        (None, "cannot be read as Parquet"),
    ],
)
def test_a_file_that_is_no_table_of_readings_is_named(
    logged: Study, tmp_path: Path, change: Any, words: str
) -> None:
    tables, _, url = logged
    part = tmp_path / "part.parquet"
    if change is None:
        part.write_bytes(b"PAR1 cut off")
    else:
        change(pl.read_parquet(f"{url}/000000.parquet")).write_parquet(part)
    with pytest.raises(StudyError, match=rf"part\.parquet.*{words}|{words}"):
        sensor_features_of(str(tmp_path), tables, Settings(), SILENT)


class Killing(Progress):
    """Kills a worker that is at work when the first file is done."""

    def __init__(self, address: str) -> None:
        super().__init__(is_shown=False)
        self.address = address
        self.killed: list[int] = []

    @contextmanager
    def task(self, description: str, total: float | None = None, unit: str = "") -> Iterator[Any]:
        from distributed import Client

        with Client(self.address) as client:
            self.pids = client.run(os.getpid)
            self.client = client
            yield self

    def advance(self, amount: float = 1) -> None:
        busy = [worker for worker, keys in self.client.processing().items() if keys]
        if busy and not self.killed:
            self.killed.append(self.pids[busy[0]])
            os.kill(self.killed[0], signal.SIGKILL)


@pytest.mark.slow
def test_a_killed_worker_changes_nothing(logged: Study) -> None:
    from distributed import LocalCluster

    tables, at_once, url = logged
    with LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as cluster:
        killing = Killing(cluster.scheduler_address)
        found = sensor_features_of(
            url, tables, Settings(), killing, scheduler=cluster.scheduler_address
        )
    assert len(killing.killed) == 1
    assert_frame_equal(found, at_once, rel_tol=1e-12)


@pytest.mark.slow
def test_workers_of_this_machine_are_started(logged: Study) -> None:
    tables, at_once, url = logged
    found = sensor_features_of(url, tables, Settings(), SILENT, workers=2)
    assert_frame_equal(found, at_once, rel_tol=1e-12)


def test_a_file_alone_gives_its_own_colonies(logged: Study, tmp_path: Path) -> None:
    tables, at_once, url = logged
    for name, table in tables.items():
        table.write_parquet(tmp_path / f"{name}.parquet")
    found = features_of_partition(f"{url}/000001.parquet", str(tmp_path), Settings())
    own = at_once.filter(pl.col("colony_id").is_in(["C2", "C3"]))
    assert_frame_equal(found, own, rel_tol=1e-12)
