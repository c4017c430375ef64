"""Blank files for members, made from the contracts: CSVs, workbooks by language, a phone form.

The row under the headings tells units and formats. Its first cell begins with
``NOTES_MARK``, by which ingest knows that it is not data, so members may leave it.
"""

from __future__ import annotations

import csv
from pathlib import Path

from pipeline.contracts import NOTES_MARK, Contract, Field, load_contracts
from pipeline.languages import DEFAULT, Words, languages, words

_KINDS = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "yes or no",
    "date": "date",
    "datetime": "datetime",
}


def column_note(field: Field, language: Words | None = None) -> str:
    """Say in a few words what goes into a column: kind or allowed values, unit, whether needed.

    Examples
    --------
    >>> column_note(load_contracts()["weighings"].field("gross_kg"))
    'number [kg], required'
    """
    w = language or words()
    kind = w("template.allowed") if field.enum else w(f"template.{_KINDS[field.type]}")
    if 0 < len(field.enum) <= 6:
        kind = f" {w('template.or')} ".join(str(value) for value in field.enum)
    unit = f" [{w.unit(field.unit)}]" if field.unit else ""
    is_needed = field.is_required and field.default is None
    return f"{kind}{unit}{', ' + w('template.required') if is_needed else ''}"


def notes_row(contract: Contract, language: Words | None = None) -> list[str]:
    """Cells of the row of units and formats under a template's headings."""
    notes = [column_note(field, language) for field in contract.fields]
    return [f"{NOTES_MARK} {notes[0]}", *notes[1:]]


def headings(contract: Contract, language: Words | None = None) -> list[str]:
    """Headings of a template: each column's name in the language, and its unit in brackets.

    Examples
    --------
    >>> headings(load_contracts()["feedings"], words("fr"))[:4]
    ['colonie', 'nourrie le', 'nourriture', 'masse donnée [kg]']
    """
    w = language or words()
    return [w.heading(field.name, field.unit) for field in contract.fields]


def write_templates(folder: Path) -> list[Path]:
    """Write a blank CSV of every record, a workbook in every language, and the phone form.

    Parameters
    ----------
    folder : Path
        An existing folder.

    Returns
    -------
    list of Path
        The files written; the phone form is the last.
    """
    from pipeline.phone_form import write_phone_form
    from pipeline.template_workbook import write_workbook

    contracts = load_contracts()
    written = []
    for name, contract in contracts.items():
        path = folder / f"{name}.csv"
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            csv.writer(file).writerows([headings(contract), notes_row(contract)])
        written.append(path)
    for code in languages():
        suffix = "" if code == DEFAULT else f"-{code}"
        written.append(folder / f"winterpool{suffix}.xlsx")
        write_workbook(written[-1], contracts, words(code))
    written.append(folder / "hive-visit-form.xlsx")
    write_phone_form(written[-1], contracts)
    return written
