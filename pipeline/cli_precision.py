"""``winterpool precision``: how precise a trial of a given size can be, before it is begun."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli_panels import ACT

if TYPE_CHECKING:
    import polars as pl

    from pipeline.precision_step import Precision

_HEADS = {"stores use": "kg", "survival": "points", "spring strength": "frames"}


def _cell(row: dict[str, Any] | None) -> str:
    if row is None:
        return ""
    share = 100 * row["p_decisive"]
    said = ">99" if share > 99.5 else "<1" if share < 0.5 else f"{share:.0f}"
    return f"{row['width']:.1f}  ({said} %)"


def _print_grid(table: pl.DataFrame) -> None:
    from models.trial.precision import GENERAL
    from pipeline.cli_output import print_table

    shown = table.filter(target=GENERAL)
    keys = ("winters", "apiaries", "colonies", "colony_winters")
    lines: list[tuple[object, ...]] = []
    for key in shown.select(keys).unique().sort(keys).rows():
        here = shown.filter(**dict(zip(keys, key, strict=True)))
        rows = {row["outcome"]: row for row in here.to_dicts()}
        lines.append((*key, *(_cell(rows.get(outcome)) for outcome in _HEADS)))
    headings = ("winters", "apiaries", "colonies each", "colony-winters")
    print_table((*headings, *(f"{name} [{unit}]" for name, unit in _HEADS.items())), lines)


def _print_smallest(smallest: pl.DataFrame) -> None:
    from pipeline.cli_output import print_table

    lines: list[tuple[object, ...]] = []
    for rows in smallest.partition_by("outcome", "target", maintain_order=True):
        first = rows.row(0, named=True)
        outcome, target = first["outcome"], first["target"]
        best = rows.filter("is_smallest").to_dicts()
        asked = f"{first['asked_width']:g} {first['unit']}"
        if best:
            [row] = best
            pool = f"{row['winters']} × {row['apiaries']} × {row['colonies']}"
            lines.append((outcome, asked, target, pool, row["colony_winters"]))
        else:
            least = f"none: {min(rows['least_width'].to_list()):.1f} at best"
            lines.append((outcome, asked, target, least, ""))
    typer.echo("\nSmallest pools that reach the width asked for:")
    headings = ("outcome", "width", "for", "winters × apiaries × colonies", "colony-winters")
    print_table(headings, lines)


def _say_sources(found: Precision) -> None:
    run = found.run
    if run["why_priors"]:
        typer.echo(f"From the priors alone, because {run['why_priors']}.")
        return
    by_prior = [name for name, source in run["sources"].items() if source == "priors"]
    rest = f"; from the priors for {', '.join(by_prior)}" if by_prior else ""
    typer.echo(f"From the fitted model{rest}.")


def precision(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    colonies: Annotated[str, typer.Option(help="Colonies an apiary, both levels.")] = "4,8,16",
    apiaries: Annotated[str, typer.Option(help="Apiaries.")] = "5,10,20",
    winters: Annotated[str, typer.Option(help="Winters.")] = "1,2,3",
    width: Annotated[
        str, typer.Option(help="Widths to reach, like survival=10,stores=1.5,strength=1.")
    ] = "",
    from_priors: Annotated[
        bool, typer.Option("--from-priors", help="Leave a fit out of it.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")] = False,
) -> None:
    """Say how precise a trial of full against none can be, drawn by lot, by its size.

    Writes results/precision.csv; show it with: winterpool report STUDY.
    """
    from pipeline.precision_step import (
        SMALLEST,
        TABLE,
        Asked,
        parse_numbers,
        parse_widths,
        precision_study,
    )
    from pipeline.progress import Progress

    asked = Asked(
        parse_numbers(colonies, "colonies", 2),
        parse_numbers(apiaries, "apiaries", 1),
        parse_numbers(winters, "winters", 1),
        parse_widths(width),
    )
    found = precision_study(study, asked, Progress(is_shown=not quiet), is_prior_wanted=from_priors)
    _say_sources(found)
    typer.echo(
        "Expected width of the 89 % interval of full against none, for apiaries and winters like "
        "these;\nin brackets the chance that the finding is decisive. Half of each apiary's "
        "colonies at each level.\n"
    )
    _print_grid(found.table)
    if len(found.smallest):
        _print_smallest(found.smallest)
    typer.echo(f"\n{found.run['rule']}")
    typer.echo(f"Wrote {study / 'results' / TABLE} and {SMALLEST} beside it.")


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        rich_help_panel=ACT,
        epilog="Example: winterpool precision our-winters --colonies 4,8 --width survival=10",
    )(precision)
