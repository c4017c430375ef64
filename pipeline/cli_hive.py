"""``winterpool hive``: what a set-up does to a hive's walls, before anything is bought."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli_panels import ACT

if TYPE_CHECKING:
    from pipeline.hive_sheet import Sheet

CAUTIONS = (
    "What this cannot tell: the colony's own response decides. Bees heat the cluster, not the "
    "box; draughts, wet walls and joints lose more than this says.",
    "Cautions: keep the lower entrance open and clear, and leave the block ventilation that your "
    "climate needs. Foam burns and gives off poisonous smoke: keep smokers and flames away from "
    "it, and cut it in fresh air. A wrapped hive is heavy: lift with help. Open hives in the "
    "cold only when you must. Local codes, the apiary inspector and the maker's sheet come first.",
)


def _number(value: float | None, decimals: int) -> str:
    return "not known" if value is None else f"{value:.{decimals}f}"


def _yes(value: bool | None) -> str:
    return {True: "yes", False: "no", None: "not known"}[value]


def _tell(sheet: Sheet) -> None:
    from pipeline.cli_output import print_table, printable

    typer.echo(f"\n{printable(sheet.name)}")
    headings = ("surface", "resistance [m²·K/W]", "insulated", "inner face [°C]")
    rows: list[tuple[object, ...]] = [
        (
            row["surface"],
            _number(row["m2k_per_w"], 2),
            _yes(row["is_insulated"]),
            _number(row["inner_face_c"], 1),
        )
        for row in sheet.surfaces.to_dicts()
    ]
    print_table(headings, rows)
    if sheet.reason:
        typer.echo(f"Not all is known: {sheet.reason}.")
    if sheet.loss_w is not None:
        typer.echo(
            f"The envelope loses {_number(sheet.conductance_w_per_k, 2)} W/K by conduction, "
            f"{sheet.loss_w:.0f} W at these temperatures (inner areas: a lower bound)."
        )
    if sheet.margin_k is not None:
        wet = "water or frost forms there" if sheet.margin_k < 0 else "it stays dry"
        typer.echo(
            f"Coldest inner face: {sheet.coldest_surface}, {sheet.margin_k:+.1f} K from the dew "
            f"point of the hive air ({sheet.dew_point_c:.1f} °C): {wet}."
        )


def _tell_opening(sheets: list[Sheet]) -> None:
    if any(sheet.top_opening == "open" for sheet in sheets):
        typer.echo(
            "\nThe air that leaves by an open top opening takes heat and moisture along; "
            "neither is in these figures, which are of conduction alone."
        )


def _compare(sheets: list[Sheet]) -> None:
    from pipeline.cli_output import print_table

    first = sheets[0].conductance_w_per_k
    rows: list[tuple[object, ...]] = []
    for sheet in sheets:
        own = sheet.conductance_w_per_k
        change = ""
        if rows and own is not None and first is not None:
            change = f"{100 * (own / first - 1):+.0f} %"
        rows.append(
            (
                sheet.name,
                sheet.level or "not known",
                sheet.top_opening or "",
                _number(own, 2),
                change,
                sheet.coldest_surface or "not known",
                "not known" if sheet.margin_k is None else f"{sheet.margin_k:+.1f}",
                "" if sheet.material_cost is None else f"{sheet.material_cost:.2f}",
            )
        )
    headings = (
        "hive",
        "level",
        "top",
        "W/K",
        "change",
        "coldest",
        "from dew point [K]",
        "material cost",
    )
    typer.echo("")
    print_table(headings, rows)


def hive(
    file: Annotated[
        Path | None, typer.Argument(help="Description of one hive or several.", metavar="FILE")
    ] = None,
    study: Annotated[
        Path | None, typer.Option(help="A study folder, for its rule of what counts as insulated.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw the walls to this file (svg, png or pdf).")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
    example: Annotated[
        bool, typer.Option("--example", help="Print an example of a description and stop.")
    ] = False,
) -> None:
    """Say what layers do to a hive: resistance, level, heat lost, where water can form."""
    from pipeline.hive_description import EXAMPLE, read_hives
    from pipeline.hive_sheet import describe_hives
    from pipeline.settings import Settings, read_settings
    from pipeline.study import Study

    if example:
        typer.echo(EXAMPLE, nl=False)
        return
    if file is None:
        raise typer.BadParameter("give a FILE, or --example to see one.")
    hives, air = read_hives(file)
    settings = read_settings(Study(study).settings_path) if study else Settings()
    sheets = describe_hives(hives, air, settings)
    if figure is not None:
        from reports.figures_hive import save_hive_figure

        save_hive_figure(hives, air, figure)
    if as_json:
        found = [asdict(sheet) | {"surfaces": sheet.surfaces.to_dicts()} for sheet in sheets]
        typer.echo(json.dumps({"air": asdict(air), "hives": found}, indent=2, ensure_ascii=False))
        return
    typer.echo(
        f"Hive air {air.inside_c:g} °C at {air.humidity_pct:g} % humidity, outside "
        f"{air.outside_c:g} °C; steady heat flow through each surface."
    )
    for sheet in sheets:
        _tell(sheet)
    _compare(sheets)
    _tell_opening(sheets)
    for caution in CAUTIONS:
        typer.echo(f"\n{caution}")


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        rich_help_panel=ACT,
        epilog="Example: winterpool hive --example > hive.toml; winterpool hive hive.toml",
    )(hive)
