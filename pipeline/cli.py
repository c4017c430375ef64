"""The command line: parse, call, print. Results go to stdout, progress to stderr.

Exit codes: 0 done; 1 ``check`` found rows that would be rejected; 2 wrong usage; 3 to 11
one kind of error each (see ``pipeline/errors.py``); 12 disk or permission trouble; 130
stopped by the user.
"""

from __future__ import annotations

import errno
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from pipeline import (
    cli_assign,
    cli_calibrate,
    cli_hive,
    cli_members,
    cli_payoff,
    cli_precision,
    cli_publish,
    cli_rebuild,
    cli_receipts,
    cli_refit,
)
from pipeline.errors import WinterpoolError
from pipeline.stopping import heeding_stops

STOPPED_BY_USER = 130

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Pool a beekeepers' association's winter records and find out what hive insulation does.",
)

StudyArgument = Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")]


def _version(is_asked: bool) -> None:
    if is_asked:
        from importlib.metadata import version

        typer.echo(f"winterpool {version('winterpool')}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    del version


@app.command(epilog="Example: winterpool new our-winters")
def new(study: StudyArgument) -> None:
    """Make a study folder with settings and blank templates for members."""
    from pipeline.study import new_study

    made = new_study(study)
    typer.echo(f"Made the study folder {made.path}.")
    typer.echo(f"1. Set its name and dates in {made.settings_path}.")
    typer.echo(f"2. Send members a template from {made.templates_path}.")
    typer.echo(f"3. Put their files into {made.inbox_path}, then: winterpool run {study}")


@app.command(epilog="Example: winterpool check weighings.csv --study our-winters")
def check(
    files: Annotated[list[Path], typer.Argument(help="Files to check.", metavar="FILE…")],
    study: Annotated[
        Path | None, typer.Option(help="Use the mappings and settings of this study.")
    ] = None,
) -> None:
    """Check files without loading them; exit 1 if any row would be rejected."""
    from pipeline.cli_output import print_check

    raise typer.Exit(print_check(files, study))


@app.command(epilog="Example: winterpool ingest our-winters")
def ingest(study: StudyArgument, quiet: Quiet = False) -> None:
    """Load everything new in the study's inbox and weather folders."""
    from pipeline import runner
    from pipeline.cli_output import print_ingest
    from pipeline.progress import Progress

    print_ingest(runner.ingest(study, Progress(is_shown=not quiet)), study)


def _step(step: str, study: Path, quiet: bool, *, only_if_stale: bool = False) -> None:
    from pipeline import runner
    from pipeline.cli_output import print_step
    from pipeline.progress import Progress

    done = runner.do_step(step, study, Progress(is_shown=not quiet), only_if_stale=only_if_stale)
    print_step(done, study)


@app.command(epilog="Example: winterpool prepare our-winters")
def prepare(study: StudyArgument, quiet: Quiet = False) -> None:
    """Build the derived tables, one row per colony-winter."""
    _step("prepare", study, quiet)


@app.command(epilog="Example: winterpool fit our-winters")
def fit(study: StudyArgument, quiet: Quiet = False) -> None:
    """Fit the model, judge it, and write the estimates to STUDY/results."""
    from pipeline.runner import require_convergence

    _step("fit", study, quiet)
    require_convergence(study)


@app.command(epilog="Example: winterpool report our-winters --language fr")
def report(
    study: StudyArgument,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Write report.pdf instead, by Quarto's Typst format.")
    ] = False,
    language: Annotated[
        str, typer.Option(help="Write only the one-page answer, in this language: en, fr.")
    ] = "",
    quiet: Quiet = False,
) -> None:
    """Render the report to STUDY/report/index.html."""
    if not (pdf or language):
        _step("report", study, quiet)
        return
    if pdf and language:
        raise typer.BadParameter("--pdf is of the whole report, --language of its first page.")
    from pipeline.progress import Progress

    if pdf:
        from reports.render import render_pdf

        page = render_pdf(study, Progress(is_shown=not quiet))
    else:
        from reports.answer_page import write_answer

        page = write_answer(study, language)
    typer.echo(f"Wrote {page}.")


def _run(study: Path, quiet: bool) -> None:
    from pipeline.runner import STEPS, require_convergence

    ingest(study, quiet)
    for step in STEPS:
        _step(step, study, quiet, only_if_stale=True)
    require_convergence(study)


@app.command(epilog="Example: winterpool run our-winters")
def run(study: StudyArgument, quiet: Quiet = False) -> None:
    """Ingest, prepare, fit and report: only what changed since last time."""
    _run(study, quiet)


@app.command(epilog="Example: winterpool status our-winters --verify")
def status(
    study: StudyArgument,
    verify: Annotated[
        bool,
        typer.Option(
            "--verify", help="Read every archived file and the whole store, however large."
        ),
    ] = False,
) -> None:
    """Say what is loaded, from whom, what was rejected, what is out of date or damaged.

    Ends with exit code 7 when the archive or the store is damaged.
    """
    from pipeline.cli_output import print_status

    print_status(study, reads_all=verify)


@app.command(epilog="Example: winterpool demo my-demo")
def demo(
    directory: Annotated[
        Path, typer.Argument(help="A folder to make; it must not exist.", metavar="DIR")
    ],
    seed: Annotated[int, typer.Option(help="Seed of the invented world.")] = 7,
    size: Annotated[str, typer.Option(help="full (about 350 colonies) or small.")] = "full",
    quiet: Quiet = False,
) -> None:
    """Write an invented association's study, run it all, and compare with its known truth."""
    from pipeline.cli_output import print_truth
    from pipeline.demo import DEMO_SIZES, write_demo

    if size not in DEMO_SIZES:
        raise typer.BadParameter(f"{size!r} is not one of {', '.join(DEMO_SIZES)}.")
    typer.echo("Everything in this demonstration is invented: people, places, bees and figures.")
    write_demo(directory, seed=seed, size=DEMO_SIZES[size])
    _run(directory, quiet)
    print_truth(directory)


for part in (
    cli_payoff,
    cli_precision,
    cli_assign,
    cli_receipts,
    cli_members,
    cli_hive,
    cli_refit,
    cli_calibrate,
    cli_publish,
    cli_rebuild,
):
    part.register(app)


def _say(problem: str, mend: str) -> None:
    from pipeline.cli_output import printable

    said = "\n".join(printable(line) for line in f"{problem}\n{mend}".split("\n"))
    print(f"winterpool: {said}", file=sys.stderr)


def _stop() -> NoReturn:
    """Say so and leave at once: native threads that were at work may outlive Python's own end.

    Taking the interpreter down under a sampler's threads ended it by a segmentation fault once.
    """
    _say(
        "Stopped. What was loaded before stays; the step under way left nothing behind.",
        "Give the same command again to go on.",
    )
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):  # nobody reads it any more
            stream.flush()
    os._exit(STOPPED_BY_USER)


def main() -> None:
    """Run the command line and turn every foreseen trouble into a sentence and an exit code."""
    try:
        with heeding_stops():
            app()
    except WinterpoolError as error:
        _say(error.problem, error.mend)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        _stop()
    except SystemExit as leaving:
        if leaving.code == STOPPED_BY_USER:  # what Typer makes of Ctrl-C
            _stop()
        raise
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            _say(
                f"The disk is full{place}; the store is as it was before this step.",
                "Free some space and give the same command again.",
            )
        elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            _say(
                f"No permission to use a file or folder{place}.",
                "Give yourself the right to read and write the study folder.",
            )
        else:
            raise
        sys.exit(12)
