"""Worker processes for tasks: of this machine, or of a cluster by its scheduler's address."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from pipeline.errors import StudyError


@contextmanager
def connected(scheduler: str | None, workers: int) -> Iterator[Any]:
    """Yield a dask.distributed client.

    Parameters
    ----------
    scheduler : str or None
        Address of a running scheduler, whose workers have Winterpool installed; it is left
        running.
    workers : int
        Worker processes of this machine, without a scheduler.

    Raises
    ------
    StudyError
        dask.distributed is missing, or no scheduler answers.
    """
    try:
        from distributed import Client, LocalCluster
    except ModuleNotFoundError as error:
        raise StudyError(
            "Work is spread by dask.distributed, which is not installed.",
            mend='Install it with: pip install "winterpool[calibration]".',
        ) from error
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout="5s")
        except (OSError, ValueError) as error:
            raise StudyError(
                f"No scheduler answers at {scheduler} ({error}).",
                mend="Start one with `dask scheduler`, or use workers of this machine.",
            ) from error
        with client:
            yield client
        return
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            memory_limit=0,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client
