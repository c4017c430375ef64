"""Work in a process of its own while this one does something else."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Any


def _answer(answers: Connection, function: Callable[..., Any], arguments: tuple) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a stop comes from the process that waits
    answers.send(function(*arguments))


@contextmanager
def working_beside[Answer](
    function: Callable[..., Answer], *arguments: Any
) -> Iterator[Callable[[], Answer]]:
    """Call a function in a process of its own during the block.

    Parameters
    ----------
    function : callable
        Of a module, so that the other process can find it.
    *arguments
        What it is called with; they and its answer travel pickled.

    Yields
    ------
    callable
        Waits for the answer and returns it. When the process ended without one it raises
        ``ChildProcessError``.

    Notes
    -----
    The process ends with the block at the latest, finished or not.
    """
    spawning = multiprocessing.get_context("spawn")
    answers, their_end = spawning.Pipe(duplex=False)
    process = spawning.Process(target=_answer, args=(their_end, function, arguments), daemon=True)
    process.start()
    their_end.close()

    def wait() -> Answer:
        try:
            return answers.recv()  # type: ignore[no-any-return]
        except EOFError as error:
            process.join()
            raise ChildProcessError(
                f"The process of {function.__qualname__} ended with status {process.exitcode}."
            ) from error

    try:
        yield wait
    finally:
        process.terminate()
        process.join()
        answers.close()
