"""``winterpool calibrate``: does the model find known truths? Anyone can start it, and stop it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_panels import PROVE


def calibrate(
    out: Annotated[
        Path, typer.Argument(help="Folder for the replicates; made when missing.", metavar="OUT")
    ],
    kind: Annotated[str, typer.Option(help="sbc, coverage or scenarios.")] = "sbc",
    replicates: Annotated[
        int, typer.Option(min=1, help="Replicates (of each scenario); finished ones are kept.")
    ] = 20,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a dask scheduler, for a cluster.")
    ] = None,
    workers: Annotated[
        int, typer.Option(min=1, help="Worker processes of this machine, without a scheduler.")
    ] = 1,
    summarise: Annotated[
        bool, typer.Option("--summarise", help="Only write the tables of what has finished.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")] = False,
) -> None:
    """Fit invented pools with a known truth and count how often the intervals hold it."""
    from models.calibration import results
    from models.calibration.replicates import run_replicates
    from pipeline.progress import Progress

    if not summarise:
        jobs = results.jobs_of(kind, out, replicates)
        done = run_replicates(
            jobs, Progress(is_shown=not quiet), scheduler=scheduler, workers=workers
        )
        typer.echo(f"Ran {done} of {len(jobs)} replicates; the others were there already.")
    for path in results.summarise(out):
        typer.echo(f"Wrote {path}")


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        rich_help_panel=PROVE,
        epilog="Example: winterpool calibrate calibration --kind sbc --replicates 200",
    )(calibrate)
