"""Checks of the finding, one a file: a function from ``Evidence`` to ``Check``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

import polars as pl

from models.checks.base import Check, Evidence
from models.checks.hidden_confounder import check_hidden_confounder
from models.checks.influence import check_influence
from models.checks.left_out_record import check_left_out_record
from models.checks.mite_methods import check_mite_methods
from models.checks.order_of_events import check_order_of_events
from models.checks.overlap import check_overlap
from models.checks.power_scaling import check_power_scaling
from models.checks.prediction import check_prediction
from models.checks.unreported import check_unreported
from models.side_by_side import side_by_side
from pipeline.progress import Progress

CHECKS: Final[tuple[Callable[[Evidence], Check], ...]] = (
    check_prediction,
    check_left_out_record,
    check_power_scaling,
    check_influence,
    check_overlap,
    check_hidden_confounder,
    check_mite_methods,
    check_unreported,
    check_order_of_events,
)
CHECKS_SCHEMA: Final = {
    "name": pl.String,
    "title": pl.String,
    "question": pl.String,
    "status": pl.String,
    "sentence": pl.String,
    "reason": pl.String,
    "failed_for": pl.String,  # outcomes, "; " between them
}


def run_checks(evidence: Evidence, progress: Progress) -> list[Check]:
    """Ask every question that needs no refit, in the order of ``CHECKS``.

    Parameters
    ----------
    evidence : Evidence
        Its posterior may lie in a file not yet read: only what is needed of it is loaded.
    progress : Progress
    """
    with progress.task("checking the finding", total=len(CHECKS), unit="checks") as task:

        def make(check: Callable[[Evidence], Check]) -> Check:
            made = check(evidence)
            task.advance()
            return made

        evidence.prepare()
        return side_by_side(make, CHECKS)


def checks_table(checks: list[Check]) -> pl.DataFrame:
    """Return the rows of ``results/checks.csv``."""
    rows = [
        (c.name, c.title, c.question, c.status, c.sentence, c.reason, "; ".join(c.failed_for))
        for c in checks
    ]
    return pl.DataFrame(rows, CHECKS_SCHEMA, orient="row")


def write_checks(checks: list[Check], folder: Path) -> None:
    """Write ``checks.csv`` and ``checks/NAME.csv`` into a folder of results.

    Parameters
    ----------
    checks : list of Check
        All of them, those with refits included.
    folder : Path
    """
    tables = folder / "checks"
    tables.mkdir(parents=True, exist_ok=True)
    for check in checks:
        if check.table.width:
            check.table.write_csv(tables / f"{check.name}.csv")
    checks_table(checks).write_csv(folder / "checks.csv")
