"""Making the next item in a thread while one is worked on."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Final

_END: Final = object()


def made_ahead[T](items: Iterator[T]) -> Iterator[T]:
    """Yield the items in their order, each made while the one before it is worked on.

    One item is ahead at most, so memory holds two. What making an item raises is raised where it
    would have been yielded; whoever stops early waits for the one under way.

    Examples
    --------
    >>> list(made_ahead(iter("abc")))
    ['a', 'b', 'c']
    """
    with ThreadPoolExecutor(1, thread_name_prefix="ahead") as thread:
        coming = thread.submit(next, items, _END)
        while (item := coming.result()) is not _END:
            coming = thread.submit(next, items, _END)
            yield item  # type: ignore[misc]
