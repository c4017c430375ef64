"""The blank workbook: a sheet a record, drop-downs, locked headings, and an invented example.

What a sheet refuses while typing is a help only; the full check is ours, at ingest.
"""

from __future__ import annotations

import tomllib
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.contracts import EXAMPLE_MARK, LISTS_SHEET, Contract, Field
from pipeline.languages import Words
from pipeline.templates import headings, notes_row
from pipeline.workbook_file import new_workbook

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

_LAST_ROW = 2000  # rows of a sheet that get drop-downs
_EARLIEST = date(1950, 1, 1)
_ALLOWED = (
    "format_cells",
    "format_columns",
    "format_rows",
    "insert_rows",
    "sort",
    "autofilter",
)
"""What a member may do on a sheet; only its columns, below the notes, are open."""


@cache
def example_rows() -> dict[str, dict[str, Any]]:
    """Return one invented row a record, values by column, from ``examples.toml``."""
    return tomllib.loads((files("data_contracts") / "examples.toml").read_text(encoding="utf-8"))


def _allowed_words(field: Field) -> list[str]:
    if field.type == "boolean":
        return ["yes", "no"]
    return [str(value) for value in field.enum]


class _Lists:
    """The hidden sheet of allowed values: a drop-down's own list holds 255 characters only."""

    def __init__(self, workbook: Workbook) -> None:
        self._sheet: Worksheet = workbook.add_worksheet(LISTS_SHEET)
        self._sheet.hide()
        self._ranges: dict[tuple[str, ...], str] = {}

    def range_of(self, name: str, allowed: list[str]) -> str:
        from xlsxwriter.utility import xl_col_to_name

        key = tuple(allowed)
        if key not in self._ranges:
            column = len(self._ranges)
            self._sheet.write_column(0, column, [name, *allowed])
            letter = xl_col_to_name(column, col_abs=True)
            self._ranges[key] = f"='{LISTS_SHEET}'!{letter}$2:{letter}${len(allowed) + 1}"
        return self._ranges[key]


def _validation(field: Field, lists: _Lists, w: Words) -> dict[str, Any]:
    """The spreadsheet's own rule for one column."""
    about = w.descriptions.get(field.name, field.description)
    if field.name in w.headings:
        about += f" ({w('template.column', column=field.name)})"
    meanings = [f"{v} = {w.word(v)}" for v in map(str, field.enum) if w.word(v) != v]
    if meanings:
        about += " " + "; ".join(meanings)
    rule: dict[str, Any] = {
        "input_title": w.headings.get(field.name, field.name)[:32],
        "input_message": about if len(about) <= 255 else about[:254] + "…",
    }
    allowed = _allowed_words(field)
    if allowed:
        return rule | {"validate": "list", "source": lists.range_of(field.name, allowed)}
    if field.type == "date":
        latest = "=TODAY()" if field.is_not_after_today else date(2100, 12, 31)
        limits = {"criteria": "between", "minimum": _EARLIEST, "maximum": latest}
        return rule | {"validate": "date", **limits}
    if field.type in ("number", "integer") and None not in (field.minimum, field.maximum):
        kind = "decimal" if field.type == "number" else "integer"
        limits = {"minimum": field.minimum, "maximum": field.maximum}
        return rule | {"validate": kind, "criteria": "between", **limits}
    return rule | {"validate": "any"}


def _formats(workbook: Workbook) -> dict[str, Format]:
    """Formats by the type of a column; only headings and notes are locked."""

    def open_cells(number_format: str) -> Format:
        return workbook.add_format({"locked": False, "num_format": number_format})

    return {
        "heading": workbook.add_format({"bold": True, "bottom": 1, "bg_color": "#F2EBDD"}),
        "note": workbook.add_format({"italic": True, "font_color": "#555555"}),
        "title": workbook.add_format({"bold": True, "font_color": "#A33C00"}),
        "example": workbook.add_format({"font_color": "#555555", "align": "left"}),
        "number": open_cells("General"),
        "integer": open_cells("General"),
        "boolean": open_cells("General"),
        "string": open_cells("@"),
        "datetime": open_cells("@"),
        "date": open_cells("yyyy-mm-dd"),
    }


def _write_sheet(
    sheet: Worksheet, contract: Contract, lists: _Lists, formats: dict[str, Format], w: Words
) -> None:
    named, notes = headings(contract, w), notes_row(contract, w)
    sheet.write_row(0, 0, named, formats["heading"])
    sheet.write_row(1, 0, notes, formats["note"])
    sheet.freeze_panes(2, 0)
    for column, field in enumerate(contract.fields):
        width = max(len(named[column]), min(len(notes[column]), 28)) + 2
        sheet.set_column(column, column, width, formats[field.type])
        sheet.data_validation(2, column, _LAST_ROW, column, _validation(field, lists, w))
    sheet.protect("", dict.fromkeys(_ALLOWED, True))


def _write_examples(
    sheet: Worksheet, contracts: dict[str, Contract], formats: dict[str, Format], w: Words
) -> None:
    """Show one invented row a record; every line begins with the mark, so that none is read."""
    sheet.set_column(0, 0, 34)
    sheet.set_column(1, 20, 22)
    sheet.write(0, 0, EXAMPLE_MARK, formats["title"])
    sheet.write(0, 1, w("template.example_title"), formats["title"])
    line = 2
    for name, row in example_rows().items():
        contract = contracts[name]
        fields = [field for field in contract.fields if field.name in row]
        about = f"{EXAMPLE_MARK} {w('template.example_record', sheet=w.record(name))}"
        sheet.write(line, 0, about, formats["heading"])
        for column, field in enumerate(fields, 1):
            value = row[field.name]
            shown = value.isoformat() if isinstance(value, date | datetime) else value
            sheet.write(line, column, w.heading(field.name, field.unit), formats["heading"])
            sheet.write(line + 1, column, shown, formats["example"])
        sheet.write(line + 1, 0, EXAMPLE_MARK, formats["example"])
        line += 3
    sheet.protect("")


def write_workbook(path: Path, contracts: dict[str, Contract], language: Words) -> None:
    """Write a blank workbook in a language: a sheet a record, then the example.

    Parameters
    ----------
    path : Path
        The ``.xlsx`` file.
    contracts : dict of str to Contract
        The records, in the order of their sheets.
    language : Words
        Of headings, notes and explanations; allowed values stay the contracts' own words.
    """
    with new_workbook(path) as workbook:
        formats = _formats(workbook)
        sheets = {name: workbook.add_worksheet(language.record(name)) for name in contracts}
        example = workbook.add_worksheet(language("template.example_sheet"))
        lists = _Lists(workbook)
        for name, contract in contracts.items():
            _write_sheet(sheets[name], contract, lists, formats, language)
        _write_examples(example, contracts, formats, language)
