"""``winterpool refit``: fit the answer again by other rules and records, as far as not yet done."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli_panels import PROVE

if TYPE_CHECKING:
    from pipeline.refit_step import RefitSummary


def _answer(rows: dict[str, dict[str, Any]], outcome: str) -> str:
    row = rows.get(outcome)
    if row is None:
        return ""
    if row["mean"] is None:
        return str(row["status"])
    return f"{row['mean']:+.2f} ({row['q2.5']:+.2f} to {row['q97.5']:+.2f}) {row['unit']}"


def print_refits(summary: RefitSummary) -> None:
    """Print every refit with its answers, then what the checks make of them."""
    from pipeline.cli_output import print_table

    lines: list[tuple[object, ...]] = []
    for found in summary.founds:
        rows = {row["outcome"]: row for row in found.rows}
        first = "autumn strength" if "autumn strength" in rows else "stores use"
        answers = [_answer(rows, o) for o in (first, "survival", "spring strength")]
        is_new = "yes" if found.name in summary.made else "no"
        lines.append((found.name, *answers, f"{found.seconds:.0f}", is_new))
    headings = ("refit", "stores saved (95 %)", "survival", "spring strength", "seconds", "new")
    print_table(headings, lines)
    typer.echo("\nautumn_strength is told in frames of bees more in autumn, before the set-up.\n")
    print_table(
        ("check", "result", "bears on"),
        [(check.name, check.status, ", ".join(check.failed_for)) for check in summary.checks],
    )


def refit(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    only: Annotated[
        str | None, typer.Option(help="One check or one refit by name, for example dose.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")] = False,
) -> None:
    """Fit again by other rules and records (minutes each); finished refits are kept.

    Needs a fit. Stop it whenever you like: the same command goes on from there.
    Then: winterpool report STUDY.
    """
    from pipeline.progress import Progress
    from pipeline.refit_step import refit_study

    summary = refit_study(study, only, Progress(is_shown=not quiet))
    print_refits(summary)
    typer.echo(f"\nWrote {study / 'results' / 'refits'}; show them with: winterpool report {study}")


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(rich_help_panel=PROVE, epilog="Example: winterpool refit our-winters --only dose")(
        refit
    )
