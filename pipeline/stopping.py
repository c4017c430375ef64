"""Ctrl-C ends what is under way, also where a library swallows it or answers with its own error.

nutpie returns the draws made so far, DuckDB reports an interrupted query: neither may pass for
a result or a fault.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def heeding_stops() -> Iterator[None]:
    """Let no Ctrl-C of the block be lost.

    Blocks may stand inside each other; outside the main thread, and where Ctrl-C is switched
    off, the block just runs.

    Raises
    ------
    KeyboardInterrupt
        The user asked to stop during the block, however the block ended.
    """
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or not callable(before):
        yield
        return
    is_asked = False

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal is_asked
        is_asked = True
        before(number, frame)

    signal.signal(signal.SIGINT, note)
    try:
        yield
    except Exception as error:
        if is_asked:
            raise KeyboardInterrupt from error
        raise
    finally:
        signal.signal(signal.SIGINT, before)
    if is_asked:
        raise KeyboardInterrupt
