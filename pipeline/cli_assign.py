"""``winterpool assign``: draw next winter's set-ups by lot, and see what became of the draw."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli_panels import ACT

if TYPE_CHECKING:
    import polars as pl

    from pipeline.assign_step import Drawn


def _number(value: float | None, decimals: int, *, is_signed: bool = False) -> str:
    if value is None:
        return ""
    return f"{value:+.{decimals}f}" if is_signed else f"{value:.{decimals}f}"


def _print_drawn(drawn: Drawn) -> None:
    from pipeline.cli_output import print_table

    recorded, table = drawn.recorded, drawn.table
    if drawn.was_finished:
        typer.echo(
            f"{recorded.path} was recorded earlier and not finished: this is that draw, "
            "with its seed, levels and colonies."
        )
    typer.echo(
        f"Winter {recorded.draw.winter}, draw {recorded.number}, seed {recorded.draw.seed}: "
        f"{len(table):,} colonies in {table['block'].n_unique():,} blocks, "
        f"{table['apiary_id'].n_unique():,} apiaries, {len(drawn.sheets):,} members."
    )
    typer.echo("")
    print_table(
        ("level", "colonies", "apiaries", "frames of bees", "from the mean [sd]", "mites [sd]"),
        [
            (
                row["level"],
                row["colonies"],
                row["apiaries"],
                _number(row["strength_frames"], 1),
                _number(row["strength_sd"], 2, is_signed=True),
                _number(row["mites_sd"], 2, is_signed=True),
            )
            for row in drawn.balance.to_dicts()
        ],
    )
    blocks = table.group_by("block").len()
    small = int((blocks["len"] < len(recorded.draw.levels)).sum())
    if small:
        typer.echo(
            f"\nBlocks with fewer colonies than levels: {small}; a colony alone tells little, "
            "because nothing stands beside it."
        )
    if len(drawn.left_out):
        typer.echo(f"\n{len(drawn.left_out):,} colonies do not take part:")
        reasons = drawn.left_out["reason"].value_counts().sort("count", "reason", descending=True)
        print_table(("why", "colonies"), list(reasons.rows()))
    typer.echo(f"\nWrote {recorded.path} (before the draw)")
    typer.echo(f"Wrote {recorded.table_path}")
    typer.echo(f"Wrote {recorded.members_path}: print sheet.html for each member.")
    typer.echo(
        "Bees, labels, local codes and the inspector come first. When set-ups have come back: "
        f"winterpool assign STUDY --winter {recorded.draw.winter} --compare"
    )


def _print_compared(compared: pl.DataFrame, path: Path) -> None:
    from pipeline.assignment_check import count_done
    from pipeline.cli_output import print_table

    typer.echo("What was done, by what was drawn:")
    counts = count_done(compared).select("drawn", "done", "n_units", "n_members")
    print_table(("drawn", "done", "colonies", "members"), list(counts.rows()))
    odd = compared.drop_nulls("deviations")
    if len(odd):
        typer.echo(f"\n{len(odd):,} deviations:")
        print_table(
            ("member", "apiary", "colony", "what"),
            list(odd.select("member_id", "apiary_id", "colony_id", "deviations").rows()),
        )
    else:
        typer.echo("\nEvery colony wintered as drawn.")
    typer.echo(f"\nWrote {path}")


def assign(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    winter: Annotated[int, typer.Option(help="Year in which the winter starts.")],
    levels: Annotated[str, typer.Option(help="Levels to draw, with commas.")] = "none,full",
    per_apiary: Annotated[
        int | None, typer.Option(help="Most colonies of one apiary; all unless given.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="Seed of the draw; taken at random unless given.")
    ] = None,
    again: Annotated[
        str, typer.Option(help="Why a winter that has been drawn is drawn again.", metavar="REASON")
    ] = "",
    compare: Annotated[
        bool, typer.Option("--compare", help="Only compare what was done with what was drawn.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")] = False,
) -> None:
    """Draw by lot which colony winters how, in blocks of like colonies within each apiary.

    Load the autumn's counts first; set-ups come after the draw. Writes a record of the draw, a
    table, and a sheet for each member to STUDY/trial/WINTER.
    """
    from pipeline.assign_step import assign_study, compare_study, parse_levels
    from pipeline.progress import Progress
    from pipeline.study import Study
    from pipeline.trial_record import trial_folder

    progress = Progress(is_shown=not quiet)
    if compare:
        compared = compare_study(study, winter, progress)
        _print_compared(compared, trial_folder(Study(study), winter) / "compared.csv")
        return
    chosen = parse_levels(levels)
    _print_drawn(assign_study(study, winter, chosen, per_apiary, seed, again, progress))


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        rich_help_panel=ACT,
        epilog="Example: winterpool assign our-winters --winter 2026 --levels none,full "
        "--per-apiary 8",
    )(assign)
