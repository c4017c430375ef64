"""Ctrl-C is never lost, whatever a library makes of it."""

from __future__ import annotations

import signal
import threading
from contextlib import suppress

import pytest

from pipeline.progress import SILENT
from pipeline.stopping import heeding_stops


def press_ctrl_c() -> None:
    signal.raise_signal(signal.SIGINT)


def test_a_stop_that_a_library_swallows_ends_the_block() -> None:
    reached = []
    with pytest.raises(KeyboardInterrupt), heeding_stops():
        with suppress(KeyboardInterrupt):  # as nutpie does, to return the draws so far
            press_ctrl_c()
        reached.append("the end of the block")
    assert reached == ["the end of the block"]


def test_an_error_after_a_stop_is_the_stop() -> None:
    with pytest.raises(KeyboardInterrupt) as caught, heeding_stops():
        with suppress(KeyboardInterrupt):
            press_ctrl_c()
        raise RuntimeError("Query interrupted")
    assert isinstance(caught.value.__cause__, RuntimeError)


def test_an_error_without_a_stop_stays_itself() -> None:
    with pytest.raises(RuntimeError, match="a fault"), heeding_stops():
        raise RuntimeError("a fault")


def test_a_swallowed_stop_ends_every_task_around_it() -> None:
    done = []
    with pytest.raises(KeyboardInterrupt), SILENT.task("outer"):
        with SILENT.task("inner"), suppress(KeyboardInterrupt):
            press_ctrl_c()
        done.append("what comes after the inner task")
    assert done == []


def test_the_handler_of_before_is_back_afterwards() -> None:
    before = signal.getsignal(signal.SIGINT)
    with heeding_stops():
        assert signal.getsignal(signal.SIGINT) is not before
    assert signal.getsignal(signal.SIGINT) is before


def test_where_ctrl_c_is_switched_off_it_stays_so() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with heeding_stops():
            press_ctrl_c()
    finally:
        signal.signal(signal.SIGINT, before)


def test_in_another_thread_the_block_just_runs() -> None:
    ran = []

    def work() -> None:
        with heeding_stops():
            ran.append(True)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert ran == [True]
