"""Work in a second process: its answer, its end without one, and its end with the block."""

from __future__ import annotations

import os
import time

import pytest

from pipeline.beside import working_beside


def die() -> None:
    os._exit(7)


def test_the_answer_comes_from_another_process():
    with working_beside(os.getpid) as wait:
        assert wait() != os.getpid()


def test_arguments_and_answers_may_be_large():
    with working_beside(sorted, range(300_000, 0, -1)) as wait:
        assert wait()[-1] == 300_000


def test_a_process_that_ends_without_an_answer_is_told():
    with working_beside(die) as wait, pytest.raises(ChildProcessError, match="die ended with stat"):
        wait()


def test_the_process_ends_with_the_block():
    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt), working_beside(time.sleep, 600):
        raise KeyboardInterrupt
    assert time.monotonic() - begun < 60
