"""``winterpool members``: a private page for each member, their colonies beside the pool."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_panels import ACT


def members(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    language: Annotated[
        str, typer.Option(help="Language of the pages, by its code: en, fr.")
    ] = "en",
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")] = False,
) -> None:
    """Write a private page for every member to STUDY/members."""
    from pipeline.progress import Progress
    from reports.members.write import write_members

    pages = write_members(study, Progress(is_shown=not quiet), language=language)
    typer.echo(f"Wrote {len(pages)} pages to {study / 'members'}.")
    typer.echo("Each names one member's colonies: send every page to that member only.")


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        rich_help_panel=ACT, epilog="Example: winterpool members our-winters --language fr"
    )(members)
