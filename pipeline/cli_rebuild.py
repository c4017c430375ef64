"""``winterpool rebuild``: the store made anew from the archived files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_panels import MEND


def rebuild(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    leave_out_damaged: Annotated[
        bool,
        typer.Option(
            "--leave-out-damaged",
            help="Go on without files whose archived copy is damaged; a later ingest takes them "
            "up again once they are in the inbox.",
        ),
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")] = False,
) -> None:
    """Make the store anew from the archived files; the old one is kept beside it.

    Names, order of arrival and mappings are as before. For a store that is damaged, lost or of
    another version.
    """
    from datetime import date

    from pipeline.cli_output import print_ingest
    from pipeline.progress import Progress
    from pipeline.rebuild import rebuild_study
    from pipeline.settings import read_settings
    from pipeline.study import Study

    own = Study(study)
    settings = read_settings(own.settings_path)
    progress = Progress(is_shown=not quiet)
    made = rebuild_study(
        own, settings, progress, date.today(), leaves_out_damaged=leave_out_damaged
    )
    print_ingest(made.summary, study, "rebuild")
    for name in made.healed:
        typer.echo(f"{name}: its archived copy was damaged and was replaced from the inbox.")
    for name in made.unnamed:
        typer.echo(
            f"{name}: nobody knows any more what this file was called; it has this name now."
        )
    if made.backup is not None:
        typer.echo(f"The old store is kept as {made.backup}; remove it when all is well.")
    typer.echo(f"Now run: winterpool run {study}, which derives the tables again.")


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(rich_help_panel=MEND, epilog="Example: winterpool rebuild our-winters")(rebuild)
