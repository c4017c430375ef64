"""Progress of long steps, on stderr; silent when nobody looks.

Examples
--------
>>> with SILENT.task("reading rows", total=3, unit="rows") as task:
...     task.advance(3)
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pipeline.stopping import heeding_stops

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress
    from rich.progress import TaskID


class Task:
    """One step under way."""

    def __init__(self, rich: RichProgress | None, task_id: TaskID | None) -> None:
        self._rich = rich
        self._task_id = task_id

    def advance(self, amount: float = 1) -> None:
        """Count ``amount`` more units as done."""
        if self._rich is not None and self._task_id is not None:
            self._rich.advance(self._task_id, amount)

    def update(
        self, *, completed: float | None = None, total: float | None = None, note: str = ""
    ) -> None:
        """Set what is done, what there is to do, or a short note beside the bar."""
        if self._rich is not None and self._task_id is not None:
            self._rich.update(self._task_id, completed=completed, total=total, note=note)


class Progress:
    """Shows tasks on stderr, as bars on a terminal and as one line each elsewhere.

    Parameters
    ----------
    is_shown : bool
        False keeps quiet.
    """

    def __init__(self, *, is_shown: bool = True) -> None:
        self.is_shown = is_shown

    @contextmanager
    def task(self, description: str, total: float | None = None, unit: str = "") -> Iterator[Task]:
        """Show one step while the block runs; ``total`` in ``unit``, or unknown.

        Raises
        ------
        KeyboardInterrupt
            The user asked to stop meanwhile, also when a library swallowed it.
        """
        with heeding_stops(), self._shown(description, total, unit) as task:
            yield task

    @contextmanager
    def _shown(self, description: str, total: float | None, unit: str) -> Iterator[Task]:
        if not self.is_shown:
            yield Task(None, None)
        elif not sys.stderr.isatty():
            print(f"{description} …", file=sys.stderr, flush=True)
            yield Task(None, None)
        else:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            columns = (
                TextColumn("{task.description}"),
                BarColumn(),
                TextColumn("{task.completed:,.0f} " + unit),
                TextColumn("{task.fields[note]}"),
                TimeElapsedColumn(),
            )
            with Progress(*columns, console=Console(stderr=True)) as rich:
                yield Task(rich, rich.add_task(description, total=total, note=""))


SILENT = Progress(is_shown=False)
