"""``winterpool payoff``: whether insulation pays, with what is not known carried along."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli_panels import ACT

if TYPE_CHECKING:
    from models.payoff.inputs import Inputs
    from pipeline.payoff_step import Reckoned

CAUTIONS = (
    "Money is not all: it cannot weigh the welfare of the animals, the work of a keeper who enjoys "
    "it, or the duty to treat mites and report disease, which stand whatever this says. Losses to "
    "disaster are outside of it."
)


def _span(low: float | None, high: float | None, decimals: int = 2) -> str:
    return "" if low is None or high is None else f"{low:+.{decimals}f} to {high:+.{decimals}f}"


def _share(value: float | None) -> str:
    return "" if value is None else f"{100 * value:.1f} %"


def _winters(row: dict[str, Any]) -> str:
    """Median winters to break even; beyond it, "never" for more than half of the draws."""
    if row["p_never"] is None:
        return ""
    return "never" if row["break_even_q50"] is None else f"{row['break_even_q50']:.0f}"


def _print_inputs(inputs: Inputs, table: list[dict[str, Any]]) -> None:
    from pipeline.cli_output import print_table

    rows: list[tuple[object, ...]] = []
    for row in table:
        is_sure = row["low"] == row["high"]
        span = "" if is_sure else f"{row['low']:g} to {row['high']:g}"
        rows.append((row["input"], f"{row['value']:g}", span, row["unit"], row["source"]))
    typer.echo(f"Reckoned with (currency {inputs.currency}; ranges are triangular distributions):")
    print_table(("input", "value", "range", "unit", "given by"), rows)


def _print_net(table: list[dict[str, Any]], currency: str) -> None:
    from pipeline.cli_output import print_table

    rows: list[tuple[object, ...]] = []
    for row in table:
        whom = row["subgroup"] if row["horizon"] == "these winters" else row["horizon"]
        if row["mean"] is None:
            rows.append((row["level"], whom, row["status"]))
            continue
        rows.append(
            (
                row["level"],
                whom,
                f"{row['mean']:+.2f}",
                _span(row["q2.5"], row["q97.5"]),
                _share(row["p_pays"]),
                _winters(row),
                _share(row["p_never"]),
            )
        )
    typer.echo(f"\nNet benefit against none, {currency} a colony and winter:")
    headings = ("level", "for", "mean", "95 % limits", "pays", "winters to break even", "never")
    width = len(headings)
    print_table(headings, [(*row, *[""] * (width - len(row))) for row in rows])
    whose: dict[str, list[str]] = {}
    for row in table:
        if row["reason"]:
            whose.setdefault(row["reason"], []).append(row["level"])
    for reason, levels in whose.items():
        typer.echo(f"{', '.join(dict.fromkeys(levels))}: {reason}")


def _print_parts(table: list[dict[str, Any]], currency: str) -> None:
    from pipeline.cli_output import print_table

    rows: list[tuple[object, ...]] = [
        (
            row["level"],
            row["part"],
            "" if row["amount"] is None else f"{row['amount']:.3f} {row['unit']}",
            row["status"] if row["mean"] is None else f"{row['mean']:+.2f}",
            _span(row["q2.5"], row["q97.5"]),
        )
        for row in table
    ]
    typer.echo(f"\nWhat it is made of, {currency} a colony and winter (all, these winters):")
    print_table(("level", "part", "amount", "money", "95 % limits"), rows)


def _print_turns(table: list[dict[str, Any]]) -> None:
    from pipeline.cli_output import print_table

    turning = [row for row in table if row["is_turn_in_range"]]
    if not table:
        return
    if not turning:
        typer.echo("\nNo single input, moved within its range, turns the answer of any level.")
        return
    typer.echo("\nInputs that turn the answer within their own range, all others as given:")
    print_table(
        ("level", "input", "given", "turns at", "unit"),
        [
            (r["level"], r["input"], f"{r['value']:.3g}", f"{r['turns_at']:.3g}", r["unit"])
            for r in turning
        ],
    )


def _print_knowledge(table: list[dict[str, Any]], currency: str) -> None:
    from pipeline.cli_output import print_table

    if not table:
        return
    typer.echo(
        f"\nWhat knowing better before choosing is worth, {currency} a colony and winter "
        f"(best choice now: {table[0]['best']}):"
    )
    rows: list[tuple[object, ...]] = []
    for row in table:
        n = row["colonies"]
        what = f"{row['knowledge']} of {n} colonies" if n else f"{row['knowledge']} of {row['of']}"
        rows.append((what, f"{row['value']:.2f}"))
    print_table(("knowledge", "worth"), rows)


def print_payoff(reckoned: Reckoned) -> None:
    """Print what the payoff was reckoned with, what it comes to and what would change it."""
    from models.payoff.inputs import FULL_CLOSED, say_borrowed, say_missing

    tables = {name: frame.to_dicts() for name, frame in reckoned.payoff.tables.items()}
    currency = reckoned.payoff.currency
    _print_inputs(reckoned.inputs, tables["payoff_inputs"])
    told = {row["level"] for row in tables["payoff"] if row["mean"] is not None}
    if FULL_CLOSED in told and (borrowed := say_borrowed(reckoned.inputs)):
        typer.echo(f"{FULL_CLOSED}: {borrowed}")
    if reckoned.payoff.missing:
        typer.echo(say_missing(reckoned.payoff.missing))
    _print_net(tables["payoff"], currency)
    _print_parts(tables["payoff_parts"], currency)
    _print_turns(tables["payoff_one_way"])
    _print_knowledge(tables["payoff_knowledge"], currency)
    typer.echo(f"\n{CAUTIONS}")


def payoff(
    study: Annotated[Path, typer.Argument(help="The study folder.", metavar="STUDY")],
    prices: Annotated[
        Path | None,
        typer.Option(help="A member's own prices, as the template prices.csv has them."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="A folder for the tables made with --prices; nowhere otherwise."),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")] = False,
) -> None:
    """Say whether insulation pays: net benefit by level, break-even, and what would turn it.

    Needs a fit and prices: the record of prices (template prices.csv) and [payoff] in study.toml.
    With --prices each price in that file takes the place of the study's.
    """
    from pipeline.errors import StudyError
    from pipeline.payoff_step import payoff_study
    from pipeline.progress import Progress

    if out is not None and prices is None:
        raise StudyError(
            "--out is for the tables of a member's own prices.",
            mend=f"Give --prices FILE too, or read {study / 'results'}.",
        )
    reckoned = payoff_study(study, Progress(is_shown=not quiet), prices, out)
    print_payoff(reckoned)
    if prices is None:
        typer.echo(f"\nTables: {study / 'results'}; show them with: winterpool report {study}")
    elif out is not None:
        typer.echo(f"\nTables: {out}")


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        rich_help_panel=ACT, epilog="Example: winterpool payoff our-winters --prices my-prices.csv"
    )(payoff)
