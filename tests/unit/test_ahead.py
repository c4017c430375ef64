"""Making items ahead: order, errors in their place, one ahead only, and an early stop."""

import threading
from collections.abc import Iterator

import pytest

from pipeline.ahead import made_ahead


def counted(made: list[int], until: int) -> Iterator[int]:
    for number in range(until):
        made.append(number)
        yield number


def test_items_come_in_order_and_one_is_ahead_at_most() -> None:
    made: list[int] = []
    for number, item in enumerate(made_ahead(counted(made, 20))):
        assert item == number
        assert len(made) <= number + 2
    assert made == list(range(20))


def test_an_error_is_raised_after_the_items_before_it() -> None:
    def broken() -> Iterator[int]:
        yield 1
        yield 2
        raise ValueError("further down")

    seen = []
    with pytest.raises(ValueError, match="further down"):
        for item in made_ahead(broken()):
            seen.append(item)
    assert seen == [1, 2]


def test_whoever_stops_early_leaves_no_thread_behind() -> None:
    made: list[int] = []
    for _ in (items := made_ahead(counted(made, 1000))):
        break
    items.close()  # type: ignore[attr-defined]
    assert len(made) <= 2
    assert not [t for t in threading.enumerate() if t.name.startswith("ahead")]
