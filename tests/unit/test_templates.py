"""Templates: blank ones check cleanly, filled ones go straight through."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import openpyxl

from pipeline.contracts import NOTES_MARK, load_contracts
from pipeline.ingest import check_files
from pipeline.settings import Settings
from pipeline.templates import write_templates

TODAY = date(2025, 4, 1)


def test_blank_templates_check_cleanly(tmp_path: Path) -> None:
    written = write_templates(tmp_path)
    result = check_files(written, [], Settings(), TODAY)
    assert result.problems == ()
    assert result.rows_read == 0
    assert len(written) == len(load_contracts()) + 1


def test_a_filled_csv_with_its_notes_row_goes_straight_through(tmp_path: Path) -> None:
    write_templates(tmp_path)
    path = tmp_path / "weighings.csv"
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.writer(file).writerow(["#7", "2024-10-05", "31.5", "scale", "", "", "first frost"])
    result = check_files([path], [], Settings(), TODAY)
    assert (result.problems, result.rows_read) == ((), 1)


def test_the_workbook_offers_allowed_values_and_units(tmp_path: Path) -> None:
    write_templates(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "winterpool.xlsx")
    visible = [sheet.title for sheet in book if sheet.sheet_state == "visible"]
    assert visible == list(load_contracts())
    sheet = book["weighings"]
    assert [cell.value for cell in sheet[1]] == list(load_contracts()["weighings"].columns)
    assert str(sheet["A2"].value).startswith(NOTES_MARK)
    assert sheet["C2"].value == "number [kg], required"
    rules = {str(rule.sqref): rule for rule in sheet.data_validations.dataValidation}
    method = rules["D3:D2001"]
    assert method.type == "list"
    name, cells = method.formula1.lstrip("=").split("!")
    offered = [cell.value for (cell,) in book[name.strip("'")][cells.replace("$", "")]]
    assert offered == ["scale", "luggage scale", "frame estimate"]


def test_a_filled_workbook_goes_straight_through(tmp_path: Path) -> None:
    write_templates(tmp_path)
    path = tmp_path / "winterpool.xlsx"
    book = openpyxl.load_workbook(path)
    for cell, value in zip(("A3", "B3"), ("Hill", "M-07"), strict=True):
        book["apiaries"][cell] = value
    for cell, value in zip(("A3", "B3", "L3"), ("7", "Hill", 10), strict=True):
        book["colonies"][cell] = value
    for cell, value in zip(
        ("A3", "B3", "C3", "D3"), ("7", date(2024, 10, 5), 31.5, "scale"), strict=True
    ):
        book["weighings"][cell] = value
    for cell, value in zip(("A3", "B3", "F3", "G3"), ("7", 2024, "closed", "yes"), strict=True):
        book["set_ups"][cell] = value
    book.save(path)
    result = check_files([path], [], Settings(), TODAY)
    assert result.problems == ()
    assert result.rows_read == 4
