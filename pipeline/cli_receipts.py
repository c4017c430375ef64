"""``winterpool receipts``: what became of each file, to mail back to whoever sent it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_panels import ACT


def receipts(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    language: Annotated[
        str, typer.Option(help="Language of the receipts, by its code: en, fr.")
    ] = "en",
) -> None:
    """Write a receipt for every file to STUDY/receipts: accepted rows, and how to mend others."""
    from pipeline.receipt_page import write_receipts
    from pipeline.settings import read_settings
    from pipeline.study import Study

    own = Study(study)
    pages = write_receipts(own, read_settings(own.settings_path), language=language)
    folder = own.path / "receipts"
    typer.echo(f"Wrote {len(pages)} receipts to {folder}, a page and a CSV for each file.")
    typer.echo(
        f"Each speaks of one file only: send it to whoever sent that file. {folder / 'index.csv'} "
        "says whose records each file brought; it is for you alone."
    )


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        rich_help_panel=ACT, epilog="Example: winterpool receipts our-winters --language fr"
    )(receipts)
