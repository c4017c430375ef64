"""Blank files for members, made from the contracts: one CSV a record, and one workbook.

The row under the headings tells units and formats. Its first cell begins with
``NOTES_MARK``, by which ingest knows that it is not data, so members may leave it.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.contracts import LISTS_SHEET, NOTES_MARK, Contract, Field, load_contracts

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

_LAST_ROW = 2000  # rows of a sheet that get drop-downs
_KIND_WORDS = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "yes or no",
    "date": "2024-10-05",
    "datetime": "2024-10-05T07:00:00+01:00",
}


def column_note(field: Field) -> str:
    """Say in a few words what goes into a column: kind or allowed values, unit, whether needed.

    Examples
    --------
    >>> column_note(load_contracts()["weighings"].field("gross_kg"))
    'number [kg], required'
    """
    kind = "one of the allowed values" if field.enum else _KIND_WORDS[field.type]
    if 0 < len(field.enum) <= 6:
        kind = " / ".join(str(value) for value in field.enum)
    unit = f" [{field.unit}]" if field.unit else ""
    is_needed = field.is_required and field.default is None
    return f"{kind}{unit}{', required' if is_needed else ''}"


def notes_row(contract: Contract) -> list[str]:
    """Cells of the row of units and formats under a template's headings."""
    notes = [column_note(field) for field in contract.fields]
    return [f"{NOTES_MARK} {notes[0]}", *notes[1:]]


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

    def range_of(self, name: str, words: list[str]) -> str:
        from xlsxwriter.utility import xl_col_to_name

        key = tuple(words)
        if key not in self._ranges:
            column = len(self._ranges)
            self._sheet.write_column(0, column, [name, *words])
            letter = xl_col_to_name(column, col_abs=True)
            self._ranges[key] = f"='{LISTS_SHEET}'!{letter}$2:{letter}${len(words) + 1}"
        return self._ranges[key]


def _validation(field: Field, lists: _Lists) -> dict[str, Any]:
    """Excel's rule for one column; the full check is ours, at ingest."""
    rule: dict[str, Any] = {
        "input_title": field.name[:32],
        "input_message": field.description[:255],
    }
    words = _allowed_words(field)
    if words:
        return rule | {"validate": "list", "source": lists.range_of(field.name, words)}
    if field.type in ("number", "integer") and None not in (field.minimum, field.maximum):
        kind = "decimal" if field.type == "number" else "integer"
        limits = {"minimum": field.minimum, "maximum": field.maximum}
        return rule | {"validate": kind, "criteria": "between", **limits}
    return rule | {"validate": "any"}


def _write_sheet(
    sheet: Worksheet, contract: Contract, lists: _Lists, formats: dict[str, Format]
) -> None:
    sheet.write_row(0, 0, contract.columns, formats["heading"])
    sheet.write_row(1, 0, notes_row(contract), formats["note"])
    sheet.freeze_panes(1, 0)
    for column, field in enumerate(contract.fields):
        note = notes_row(contract)[column]
        width = max(len(field.name), min(len(note), 28)) + 2
        sheet.set_column(column, column, width, formats.get(field.type))
        sheet.data_validation(2, column, _LAST_ROW, column, _validation(field, lists))


def write_workbook(path: Path, contracts: dict[str, Contract]) -> None:
    """Write a blank workbook with a sheet a record, drop-downs and a row of units."""
    import xlsxwriter

    with xlsxwriter.Workbook(str(path)) as workbook:
        formats = {
            "heading": workbook.add_format({"bold": True, "bottom": 1}),
            "note": workbook.add_format({"italic": True, "font_color": "#555555"}),
            "string": workbook.add_format({"num_format": "@"}),
            "datetime": workbook.add_format({"num_format": "@"}),
            "date": workbook.add_format({"num_format": "yyyy-mm-dd"}),
        }
        sheets = {name: workbook.add_worksheet(name) for name in contracts}
        lists = _Lists(workbook)
        for name, contract in contracts.items():
            _write_sheet(sheets[name], contract, lists, formats)


def write_templates(folder: Path) -> list[Path]:
    """Write the blank CSV of every record and the workbook of all of them.

    Parameters
    ----------
    folder : Path
        An existing folder.

    Returns
    -------
    list of Path
        The files written.
    """
    contracts = load_contracts()
    written = []
    for name, contract in contracts.items():
        path = folder / f"{name}.csv"
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            csv.writer(file).writerows([contract.columns, notes_row(contract)])
        written.append(path)
    workbook = folder / "winterpool.xlsx"
    write_workbook(workbook, contracts)
    return [*written, workbook]
