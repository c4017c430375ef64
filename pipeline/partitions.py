"""Features of loggers for more readings than one machine holds, file by file on many.

The readings lie as Parquet files under one URL (a folder, or any storage that fsspec reaches),
each colony's in one file. A task runs the stages ``sensor_days``, ``sensor_hours`` and
``sensor_features`` as they are on the colonies of one file, which nothing of other colonies enters,
and gives one row a colony-winter. What comes out is what ``prepare`` writes for the same readings.

A task depends on files alone: one whose worker died is done again by another.

Examples
--------
On one machine, or with ``scheduler="tcp://…"`` on a cluster::

    with Store.open(study.store_path, read_only=True) as store:
        write_partitions(store, "s3://pool/readings")
        tables = {name: store.table(name) for name in TABLES}
    features = sensor_features_of("s3://pool/readings", tables, settings, Progress(), workers=8)
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any, Final
from uuid import uuid4

import duckdb
import polars as pl

from pipeline.cluster import connected
from pipeline.contracts import load_contracts, load_derived_contracts
from pipeline.errors import StoreError, StudyError
from pipeline.progress import Progress
from pipeline.settings import Settings
from pipeline.stages.output import check_output
from pipeline.stages.sensor_days import sensor_days
from pipeline.stages.sensor_features import sensor_features
from pipeline.stages.sensor_hours import sensor_hours
from pipeline.stages.stored import StoredTable
from pipeline.stages.windows import UNIT
from pipeline.store import Store

TABLES: Final = (
    "colony_seasons",
    "hive_envelopes",
    "degree_days",
    "station_days",
    "weather_hourly",
)
"""What ``sensor_features`` reads besides the readings; small beside them."""
_READINGS: Final = "sensor_readings"
_OF_ONE_RUN: Final = ".tables-"


def write_partitions(store: Store, url: str, colonies_each: int = 100) -> int:
    """Write a store's current readings as Parquet files; return how many.

    Parameters
    ----------
    store : Store
    url : str
        An empty folder, made where it is missing.
    colonies_each : int
        Colonies in one file: a task holds the hours of so many, 2.5 GiB for a hundred colonies
        logged hourly at two positions through ten winters.
    """
    import pyarrow.parquet as pq

    files, root = _storage(url)
    files.makedirs(root, exist_ok=True)
    key = ", ".join(load_contracts()[_READINGS].key)
    found = store.connection.sql(
        f"SELECT DISTINCT colony_id FROM {_READINGS} ORDER BY colony_id"
    ).fetchall()
    names = [name for (name,) in found]
    starts = range(0, len(names), colonies_each)
    for number, start in enumerate(starts):
        own = names[start : start + colonies_each]
        reader = store.connection.sql(
            f"FROM {_READINGS} WHERE colony_id BETWEEN $first AND $last ORDER BY {key}",
            params={"first": own[0], "last": own[-1]},
        ).to_arrow_reader()
        with (
            files.open(f"{root}/{number:06}.parquet", "wb") as file,
            pq.ParquetWriter(file, reader.schema) as writer,
        ):
            for batch in reader:
                writer.write_batch(batch)
    return len(starts)


def sensor_features_of(
    url: str,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
    progress: Progress,
    *,
    scheduler: str | None = None,
    workers: int = 1,
) -> pl.DataFrame:
    """Winter features from the readings under a URL; one row per colony-winter.

    Parameters
    ----------
    url : str
        Folder of Parquet files with the columns of ``sensor_readings``, one row a key, each
        colony's rows in one file. The workers must reach it, and this process write there.
    tables : mapping of str to polars.DataFrame
        ``TABLES``, of all colonies.
    settings : Settings
    progress : Progress
        Counts the files.
    scheduler, workers
        See ``cluster.py``.

    Returns
    -------
    polars.DataFrame
        As the stage ``sensor_features`` gives it; units without readings included.

    Raises
    ------
    StudyError
        There is no Parquet file under the URL, one is damaged or lacks a column, dask.distributed
        is missing, no scheduler answers, or one file ended its worker again and again.
    StoreError
        A colony's readings stand in several files.
    """
    files, root = _storage(url)
    parts = sorted(files.glob(f"{root}/*.parquet")) if files.exists(root) else []
    if not parts:
        raise StudyError(
            f"There is no Parquet file of readings in {url}.",
            mend="Write the readings there first, one file for some hundred colonies.",
        )
    for part in parts:
        _refuse_unfit(files, part)
    place = f"{root}/{_OF_ONE_RUN}{uuid4().hex}"
    files.makedirs(place)
    try:
        for name in TABLES:
            with files.open(f"{place}/{name}.parquet", "wb") as file:
                tables[name].write_parquet(file)
        done = _run(files, parts, place, settings, progress, scheduler=scheduler, workers=workers)
    finally:
        files.rm(place, recursive=True)
    found = pl.concat(done)
    _refuse_shared(found, url)
    logged = found.select("colony_id").unique()
    rest = {
        name: table.join(logged, on="colony_id", how="anti") if "colony_id" in table else table
        for name, table in tables.items()
    }
    whole = pl.concat([found, _features(None, rest, settings)]).sort(UNIT)
    check_output(whole, load_derived_contracts()["sensor_features"])
    return whole


def _run(
    files: Any,
    parts: list[str],
    place: str,
    settings: Settings,
    progress: Progress,
    *,
    scheduler: str | None,
    workers: int,
) -> list[pl.DataFrame]:
    """Have every file's features made, in any order."""
    with (
        connected(scheduler, workers) as client,
        progress.task("logged colonies", total=len(parts), unit="files") as task,
    ):
        from distributed import KilledWorker, as_completed

        futures = {
            client.submit(
                features_of_partition,
                files.unstrip_protocol(part),
                files.unstrip_protocol(place),
                settings,
                pure=False,
            ): part
            for part in parts
        }
        done = []
        for future in as_completed(futures):
            try:
                done.append(future.result())
            except KilledWorker as error:
                raise StudyError(
                    f"The readings in {futures[future]} ended their worker several times.",
                    mend="Give the workers more memory, or write fewer colonies into one file.",
                ) from error
            future.release()
            task.advance()
    return done


def features_of_partition(part: str, place: str, settings: Settings) -> pl.DataFrame:
    """``sensor_features`` of the colonies whose readings one Parquet file holds.

    Parameters
    ----------
    part : str
        URL of the file.
    place : str
        URL of the folder with ``TABLES`` as Parquet files.
    settings : Settings
    """
    import pyarrow.dataset as ds

    files, path = _storage(part)
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.register(_READINGS, ds.dataset(path, filesystem=files, format="parquet"))
        readings = StoredTable(connection, _READINGS)
        own = connection.sql(f"SELECT DISTINCT colony_id FROM {_READINGS}").pl()
        tables = {
            name: table.join(own, on="colony_id", how="semi") if "colony_id" in table else table
            for name, table in _tables(place).items()
        }
        return _features(readings, tables, settings)


def _features(
    readings: StoredTable | None, tables: Mapping[str, pl.DataFrame], settings: Settings
) -> pl.DataFrame:
    """The stages of loggers on some colonies; on none of their readings where there are none."""
    contracts = load_derived_contracts()
    days = pl.DataFrame(schema=contracts["sensor_days"].polars_schema)
    hours = pl.DataFrame(schema=contracts["sensor_hours"].polars_schema)
    if readings is not None:
        days, hours = sensor_days(readings, settings), sensor_hours(readings, settings)
    return sensor_features(sensor_days=days, sensor_hours=hours, settings=settings, **tables)


@lru_cache(maxsize=1)
def _tables(place: str) -> dict[str, pl.DataFrame]:
    """Read the small tables, once in each worker."""
    files, root = _storage(place)
    found = {}
    for name in TABLES:
        with files.open(f"{root}/{name}.parquet", "rb") as file:
            found[name] = pl.read_parquet(file)
    return found


def _storage(url: str) -> tuple[Any, str]:
    """The file system of a URL, and the path in it."""
    try:
        from fsspec.core import url_to_fs
    except ModuleNotFoundError as error:
        raise StudyError(
            "Storage is reached by fsspec, which is not installed.",
            mend='Install it with: pip install "winterpool[calibration]".',
        ) from error
    try:
        return url_to_fs(url)
    except (ImportError, ValueError) as error:
        raise StudyError(
            f"{url} is on a kind of storage that is not known here ({error}).",
            mend="Install what fsspec asks for, or give a folder.",
        ) from error


def _refuse_unfit(files: Any, part: str) -> None:
    """Refuse a file that is no table of readings, before anything is begun."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with files.open(part, "rb") as file:
            schema = pq.read_schema(file)
    except (pa.ArrowException, OSError) as error:
        raise StudyError(
            f"{part} cannot be read as Parquet ({error}).", mend="Write that file again."
        ) from error
    missing = [name for name in load_contracts()[_READINGS].columns if name not in schema.names]
    if missing:
        raise StudyError(
            f"{part} lacks the columns {', '.join(missing)}.",
            mend=f"Write all columns of {_READINGS}; what was not measured is empty.",
        )
    kind = schema.field("logged_at").type
    if not (pa.types.is_timestamp(kind) and kind.tz):
        raise StudyError(
            f"logged_at in {part} is {kind}, no moment with a time zone.",
            mend="Write it as a timestamp in UTC.",
        )


def _refuse_shared(found: pl.DataFrame, url: str) -> None:
    """Refuse a colony of several files: its days would have been counted apart."""
    twice = found.filter(found.select(UNIT).is_duplicated()).sort(UNIT)
    if twice.height:
        raise StoreError(
            f"The readings of colony {twice['colony_id'][0]} stand in several files of {url}.",
            mend="Write each colony's readings into one file.",
        )
