"""``winterpool publish``, ``reproduce``, ``combine``: findings others can check and use."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli_panels import PROVE

if TYPE_CHECKING:
    import polars as pl

    from pipeline.publishing.bundle import Published
    from pipeline.publishing.combine import Combination
    from pipeline.publishing.reproduce import Reproduction

Quiet = Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")]
_KEY = ("outcome", "contrast", "measure", "subgroup", "horizon")


def _number(value: float | None, digits: int = 3) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _interval(row: dict) -> str:
    if row.get("mean") is None:
        return str(row.get("status") or "")
    return f"{row['mean']:+.2f} ({row['q2.5']:+.2f} to {row['q97.5']:+.2f}) {row['unit']}"


def _headline(estimands: pl.DataFrame) -> dict[tuple[str, ...], dict]:
    return {
        tuple(row[column] for column in _KEY): row
        for row in estimands.to_dicts()
        if (row["measure"], row["subgroup"], row["horizon"])
        == ("difference", "all", "these winters")
    }


def print_published(done: Published) -> None:
    """Say what was published, what was not, and how the answer moved with it."""
    from pipeline.cli_output import print_table
    from pipeline.publishing.about import SAW_OPENING
    from pipeline.publishing.consent import HOW
    from pipeline.publishing.small_cells import describe_units

    consents, protected = done.consents, done.protected
    typer.echo(f"Published {describe_units(protected.units)} in {done.folder}.")
    typer.echo(
        f"Members: {len(consents.agreed)} agreed, {len(consents.refused)} refused, "
        f"{len(consents.unasked)} were not asked; {protected.n_left_out} colony-winters were left "
        "out because too few looked like them."
    )
    if consents.unasked:
        typer.echo(f"To publish those not asked: {HOW}.")
    typer.echo("\nHow many colonies look alike")
    print_table(
        ("view", "known", "classes", "smallest", "expected share found"),
        [
            (r["view"], r["known"], r["classes"], r["smallest_class"], _number(r["expected_share"]))
            for r in protected.report.to_dicts()
        ],
    )
    typer.echo(
        f"\n{protected.n_alone} apiaries equal no other in their sizes over the winters: who knows "
        "a whole apiary can tell them."
    )
    typer.echo(SAW_OPENING.format(few=protected.n_by_opening, all=f"{protected.units.height:,}"))
    typer.echo("\nThe answer of the published records beside the study's (95 % limits)")
    ours, theirs = _headline(done.estimands), _headline(done.study_estimands)
    print_table(
        ("outcome", "contrast", "published", "study"),
        [(key[0], key[1], _interval(row), _interval(theirs[key])) for key, row in ours.items()],
    )
    if consents.withheld:
        typer.echo(
            "\nKeep the study's own numbers apart from the bundle: they also rest on members who "
            f"are not in it ({consents.withheld}), and the difference speaks of these."
        )


def print_reproduction(found: Reproduction, *, has_refit: bool) -> None:
    """Print every comparison, then what could not be done again."""
    from pipeline.cli_output import print_table
    from pipeline.publishing.agreement import WITHIN

    print_table(
        ("number", "published", "here", "may differ by", "agrees", "note"),
        [
            (
                line.what,
                _number(line.published),
                _number(line.found),
                "" if line.allowed is None else f"{line.allowed:.2g}",
                "yes" if line.agrees else "NO",
                line.note,
            )
            for line in found.lines
        ],
    )
    typer.echo("")
    for note in found.notes:
        typer.echo(note)
    if has_refit:
        typer.echo(
            f"Numbers of the two fits agree when they differ by at most {WITHIN:g} joint Monte "
            "Carlo standard errors."
        )
    else:
        typer.echo("The records were not fitted again (--no-refit).")
    wrong = sum(not line.agrees for line in found.lines)
    typer.echo(
        f"{len(found.lines) - wrong} of {len(found.lines)} comparisons agree."
        + ("" if wrong else " The bundle is reproduced.")
    )


def publish(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    bundle: Annotated[
        Path, typer.Argument(help="A folder to make, outside the study.", metavar="BUNDLE")
    ],
    coarser: Annotated[
        int,
        typer.Option(
            min=0,
            max=2,
            help="How little of the place: 0 heights in 100 m, wind, cold in 0.5 K; 1 heights in "
            "300 m, cold in 1 K; 2 cold in 2 K alone.",
        ),
    ] = 0,
    leave_out: Annotated[
        bool, typer.Option("--leave-out", help="Leave out colonies that too few look like.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """Publish the records of members who agreed, their fit and report, so that others can check.

    Names become pseudonyms, dates and coordinates are withheld, strengths are made alike in
    groups. The published records are fitted anew (minutes), because the study's own fit knows more.
    """
    from pipeline.progress import Progress
    from pipeline.publishing.bundle import publish as publish_study

    done = publish_study(
        study,
        bundle,
        coarser=coarser,
        leave_out=leave_out,
        progress=Progress(is_shown=not quiet),
    )
    print_published(done)


def reproduce(
    bundle: Annotated[Path, typer.Argument(help="A published bundle.", metavar="BUNDLE")],
    no_refit: Annotated[
        bool, typer.Option("--no-refit", help="Compare with the published draws only.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """Verify a bundle, reckon its numbers anew and fit it again; exit 1 on any mismatch."""
    from pipeline.progress import Progress
    from pipeline.publishing.reproduce import reproduce as reproduce_bundle

    found = reproduce_bundle(bundle, has_refit=not no_refit, progress=Progress(is_shown=not quiet))
    print_reproduction(found, has_refit=not no_refit)
    raise typer.Exit(0 if found.has_agreed else 1)


def print_combination(found: Combination) -> None:
    """Print the synthesis, and the joint fit when there is one."""
    from pipeline.cli_output import print_table

    for line in found.words:
        typer.echo(line)
    typer.echo("")
    print_table(
        (
            "outcome",
            "contrast",
            "measure",
            "bundles",
            "mean",
            "95 %",
            "another association",
            "between, sd",
            "I2 %",
        ),
        [
            (
                r["outcome"],
                r["contrast"],
                f"{r['measure']} [{r['unit']}]",
                r["n_bundles"],
                _number(r["mean"], 2),
                f"{_number(r['q2.5'], 2)} to {_number(r['q97.5'], 2)}",
                f"{_number(r['predicted_q2.5'], 2)} to {_number(r['predicted_q97.5'], 2)}",
                _number(r["between_sd"], 2),
                _number(r["i2_percent"], 0),
            )
            for r in found.table.to_dicts()
        ],
    )
    if found.joint is not None:
        typer.echo("\nOne fit of all tables together (95 % limits)")
        print_table(
            ("outcome", "contrast", "benefit"),
            [(key[0], key[1], _interval(row)) for key, row in _headline(found.joint).items()],
        )


def combine(
    bundles: Annotated[
        list[Path], typer.Argument(help="Published bundles, two or more.", metavar="BUNDLE…")
    ],
    refit: Annotated[
        bool, typer.Option("--refit", help="Also fit all tables together (minutes).")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="Write the synthesis here as CSV; it must not exist.")
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Put the findings of several associations together, from their bundles alone."""
    from pipeline.progress import Progress
    from pipeline.publishing.combine import (
        combine_bundles,
        require_free,
        write_combination,
    )

    if out is not None:
        require_free(out)
    found = combine_bundles(bundles, has_refit=refit, progress=Progress(is_shown=not quiet))
    print_combination(found)
    if out is not None:
        write_combination(found, out)
        typer.echo(f"\nWrote {out}")


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(
        rich_help_panel=PROVE,
        epilog="Example: winterpool publish our-winters bundle --coarser 2 --leave-out",
    )(publish)
    app.command(rich_help_panel=PROVE, epilog="Example: winterpool reproduce bundle --no-refit")(
        reproduce
    )
    app.command(
        rich_help_panel=PROVE, epilog="Example: winterpool combine bundle-a bundle-b bundle-c"
    )(combine)
