"""Run numbered replicates in parallel, one file each, so that a stopped run goes on.

The engine is dask.distributed: worker processes of this machine unless a scheduler's address is
given. A replicate's number is its only seed, so neither order nor the number of workers changes
a result. The caller's process writes each result the moment it arrives; a worker that dies loses
the one replicate it was at, which is then done again elsewhere.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from pipeline.cluster import connected
from pipeline.errors import ModelError
from pipeline.progress import Progress


@dataclass(frozen=True, slots=True)
class Job:
    """A replicate to run and the folder that its result goes to.

    Attributes
    ----------
    function : callable
        From the replicate's number to what JSON can hold; importable by the workers.
    """

    folder: Path
    function: Callable[[int], dict[str, Any]]
    number: int

    @property
    def path(self) -> Path:
        """The file that the result goes to."""
        return self.folder / f"{self.number:05d}.json"


@lru_cache(maxsize=1)
def code_digest() -> str:
    """Digest of the model's source as this process found it; results of two digests differ."""
    root = Path(__file__).parents[1]
    digest = sha256()
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()[:16]


def _one(function: Callable[[int], dict[str, Any]], number: int) -> dict[str, Any]:
    return {"replicate": number, "code": code_digest(), **function(number)}


def _write(job: Job, made: dict[str, Any]) -> None:
    job.folder.mkdir(parents=True, exist_ok=True)
    unfinished = job.path.with_suffix(".part")
    unfinished.write_text(json.dumps(made, ensure_ascii=False) + "\n", encoding="utf-8")
    os.replace(unfinished, job.path)


def read_replicates(folder: Path) -> list[dict[str, Any]]:
    """Read what finished replicates left, by number.

    Raises
    ------
    ModelError
        A file is not what a replicate writes.
    """
    found = []
    for path in sorted(folder.glob("*.json")):
        try:
            found.append(json.loads(path.read_text(encoding="utf-8")))
        except ValueError as error:
            raise ModelError(
                f"{path} is not the result of a replicate ({error}).",
                mend="Delete that file and give the command again.",
            ) from error
    return found


def run_replicates(
    jobs: Sequence[Job], progress: Progress, *, scheduler: str | None = None, workers: int = 1
) -> int:
    """Run the replicates that have no file yet.

    Parameters
    ----------
    jobs : sequence of Job
        Begun in this order: put those whose models have one shape together.
    progress : Progress
    scheduler : str, optional
        Address of a running dask scheduler, whose workers have Winterpool installed.
    workers : int
        Worker processes of this machine, without a scheduler.

    Returns
    -------
    int
        Replicates run now.

    Raises
    ------
    StudyError
        As ``pipeline.cluster.connected``.
    ModelError
        One replicate ended its worker again and again.

    Notes
    -----
    An exception within a replicate is a fault of the program and ends the run; what had
    finished stays.
    """
    ahead = [job for job in jobs if not job.path.exists()]
    if not ahead:
        return 0
    with (
        connected(scheduler, workers) as client,
        progress.task("replicates", total=len(ahead), unit="replicates") as task,
    ):
        from distributed import KilledWorker, as_completed

        futures = {
            client.submit(_one, job.function, job.number, pure=False, priority=-place): job
            for place, job in enumerate(ahead)
        }
        for future in as_completed(futures):
            job = futures[future]
            try:
                made = future.result()
            except KilledWorker as error:
                raise ModelError(
                    f"Replicate {job.number} for {job.folder} ended its worker several times.",
                    mend="Give the workers more memory, or use fewer of them.",
                ) from error
            _write(job, made)
            task.advance(1)
            future.release()
    return len(ahead)
