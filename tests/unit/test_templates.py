"""Templates: blank ones check cleanly, filled ones go straight through, in every language."""

from __future__ import annotations

import csv
import errno
import os
import shutil
import sys
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest

from pipeline.cli import main
from pipeline.contracts import EXAMPLE_MARK, NOTES_MARK, load_contracts
from pipeline.errors import StoreError
from pipeline.ingest import check_files
from pipeline.languages import languages, words
from pipeline.settings import Settings
from pipeline.study import new_study
from pipeline.template_workbook import example_rows
from pipeline.templates import headings, write_templates

TODAY = date(2025, 4, 1)
BOOKS = {
    code: "winterpool.xlsx" if code == "en" else f"winterpool-{code}.xlsx" for code in languages()
}


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("templates")
    write_templates(folder)
    return folder


def fill(book: openpyxl.Workbook, code: str) -> int:
    """Write the example row of every record under the notes of its sheet; return how many."""
    for name, row in example_rows().items():
        sheet = book[words(code).record(name)]
        for column, field in enumerate(load_contracts()[name].fields, 1):
            value = row.get(field.name)
            sheet.cell(3, column).value = (
                value.isoformat() if isinstance(value, datetime) else value
            )
    return len(example_rows())


def test_blank_templates_check_cleanly(tmp_path: Path) -> None:
    *written, form = write_templates(tmp_path)
    result = check_files(written, [], Settings(), TODAY)
    assert result.problems == ()
    assert result.rows_read == 0
    assert len(written) == len(load_contracts()) + len(languages())
    assert form.name == "hive-visit-form.xlsx"


def test_a_filled_csv_with_its_notes_row_goes_straight_through(blank: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(blank / "weighings.csv", tmp_path))
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.writer(file).writerow(["#7", "2024-10-05", "31.5", "scale", "", "", "first frost"])
    result = check_files([path], [], Settings(), TODAY)
    assert (result.problems, result.rows_read) == ((), 1)


@pytest.mark.parametrize("code", languages())
def test_the_workbook_heads_every_column_with_its_unit(blank: Path, code: str) -> None:
    book = openpyxl.load_workbook(blank / BOOKS[code])
    w = words(code)
    visible = [sheet.title for sheet in book if sheet.sheet_state == "visible"]
    assert visible == [*map(w.record, load_contracts()), w("template.example_sheet")]
    for name, contract in load_contracts().items():
        sheet = book[w.record(name)]
        assert [cell.value for cell in sheet[1]] == headings(contract, w)
        assert str(sheet["A2"].value).startswith(NOTES_MARK)
        for field, cell in zip(contract.fields, sheet[1], strict=True):
            assert (f"[{w.unit(field.unit)}]" in cell.value) == (field.unit is not None)


def test_the_workbook_offers_allowed_values_and_refuses_others(blank: Path) -> None:
    book = openpyxl.load_workbook(blank / "winterpool.xlsx")
    sheet = book["weighings"]
    assert sheet["C1"].value == "gross_kg [kg]"
    assert sheet["C2"].value == "number [kg], required"
    rules = {str(rule.sqref): rule for rule in sheet.data_validations.dataValidation}
    method = rules["D3:D2001"]
    assert method.type == "list"
    name, cells = method.formula1.lstrip("=").split("!")
    offered = [cell.value for (cell,) in book[name.strip("'")][cells.replace("$", "")]]
    assert offered == ["scale", "luggage scale", "frame estimate"]
    mass, day = rules["C3:C2001"], rules["B3:B2001"]
    assert (mass.type, mass.formula1, mass.formula2) == ("decimal", "5.0", "250.0")
    assert (day.type, day.formula2) == ("date", "TODAY()")


@pytest.mark.parametrize("code", languages())
def test_headings_and_notes_are_locked_and_rows_are_open(blank: Path, code: str) -> None:
    book = openpyxl.load_workbook(blank / BOOKS[code])
    for name, contract in load_contracts().items():
        sheet = book[words(code).record(name)]
        assert sheet.protection.sheet
        for column in range(1, len(contract.fields) + 1):
            assert sheet.cell(1, column).protection.locked
            assert sheet.cell(2, column).protection.locked
        letters = [openpyxl.utils.get_column_letter(c + 1) for c in range(len(contract.fields))]
        open_columns = {
            letter
            for dimension in sheet.column_dimensions.values()
            if not dimension.protection.locked
            for letter in letters
            if dimension.min <= openpyxl.utils.column_index_from_string(letter) <= dimension.max
        }
        assert open_columns == set(letters)


@pytest.mark.parametrize("code", languages())
def test_a_filled_workbook_goes_straight_through(blank: Path, tmp_path: Path, code: str) -> None:
    book = openpyxl.load_workbook(blank / BOOKS[code])
    sent = fill(book, code)
    book.save(tmp_path / "filled.xlsx")
    result = check_files([tmp_path / "filled.xlsx"], [], Settings(), TODAY)
    assert result.problems == ()
    assert result.rows_read == sent == len(load_contracts())


@pytest.mark.parametrize("code", languages())
def test_the_example_says_that_it_is_invented_and_is_never_read(
    blank: Path, tmp_path: Path, code: str
) -> None:
    book = openpyxl.load_workbook(blank / BOOKS[code])
    w = words(code)
    sheet = book[w("template.example_sheet")]
    assert sheet["B1"].value == w("template.example_title")
    filled = [row for row in sheet.iter_rows(values_only=True) if any(row)]
    assert len(filled) == 1 + 2 * len(load_contracts())
    assert all(str(row[0]).startswith(EXAMPLE_MARK) for row in filled)
    # A row that someone types there without the mark is told, not lost.
    sheet.protection.sheet = False
    sheet.append(["Orchard 3", "2024-10-05", 31.5, "scale"])
    book.save(tmp_path / "typed.xlsx")
    problems = check_files([tmp_path / "typed.xlsx"], [], Settings(), TODAY).problems
    assert any(w("template.example_sheet") in str(problem) for problem in problems)


def test_a_workbook_of_notes_alone_is_still_refused(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active["A1"] = "# nothing here"
    book.save(tmp_path / "notes.xlsx")
    problems = check_files([tmp_path / "notes.xlsx"], [], Settings(), TODAY).problems
    assert "holds no heading" in str(problems)


def _refuse_workbooks(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Have the system refuse every file that a workbook is written to."""

    def refused(path: str, *_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), path)

    monkeypatch.setattr("xlsxwriter.workbook.ZipFile", refused)


def test_a_workbook_that_cannot_be_written_is_told_and_leaves_no_half_study(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "study"
    monkeypatch.setattr(sys, "argv", ["winterpool", "new", str(path)])
    with monkeypatch.context() as patch:
        _refuse_workbooks(patch, errno.EACCES)
        with pytest.raises(SystemExit) as left:
            main()
    assert left.value.code == StoreError.exit_code
    said = capsys.readouterr().err
    book = path / "templates" / "winterpool.xlsx"
    assert f"The workbook {book} could not be written: Permission denied." in said
    assert "see that you may write to its folder" in said
    assert "Traceback" not in said
    assert list(path.iterdir()) == []
    new_study(path)  # nothing is in the way of the next try
    assert book.exists()


def test_a_full_disk_is_told_of_a_workbook_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _refuse_workbooks(monkeypatch, errno.ENOSPC)
    with pytest.raises(StoreError, match="The disk is full"):
        new_study(tmp_path / "study")
    assert list((tmp_path / "study").iterdir()) == []


def test_a_workbook_in_the_place_of_a_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "winterpool.xlsx").mkdir()  # the system itself refuses, no part replaced
    with pytest.raises(StoreError, match="could not be written"):
        write_templates(tmp_path)
