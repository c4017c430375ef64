"""Workbooks: cells to text, and the workbooks that are refused."""

import re
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from pipeline.errors import ReadError
from pipeline.readers import ReadOptions, TextTable, read_tables
from pipeline.settings import IngestSettings


def write(path: Path, fill: Callable[[openpyxl.Workbook, Worksheet], None]) -> Path:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Weights"
    fill(book, sheet)
    book.save(path)
    return path


def read(path: Path, **options: object) -> dict[str, tuple[TextTable, pl.DataFrame]]:
    found = {}
    for table in read_tables(path, ReadOptions(**options)):  # type: ignore[arg-type]
        batches = list(table.batches)
        found[table.sheet] = (table, pl.concat(batches) if batches else pl.DataFrame())
    return found


def rewrite(path: Path, member: str, change: Callable[[bytes], bytes]) -> None:
    """Change one member of the zip archive that a workbook is."""
    with zipfile.ZipFile(path) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    parts[member] = change(parts[member])
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def test_cells_become_text_and_dates_iso(tmp_path: Path) -> None:
    def fill(_: openpyxl.Workbook, sheet: Worksheet) -> None:
        sheet.append(["Day", "Logged", "kg", "Count", "Sealed", "Clock", "Note"])
        sheet.append(
            [date(2024, 1, 5), datetime(2024, 1, 5), 31.25, 12, True, time(7, 30), " a\nb "]
        )
        sheet.append([])
        sheet.append([date(2024, 1, 6), datetime(2024, 1, 5, 1), 1e-3, -3, False, None, "=x"])
        sheet["G4"].data_type = "s"

    table, rows = read(write(tmp_path / "book.xlsx", fill))["Weights"]
    assert table.header == ("Day", "Logged", "kg", "Count", "Sealed", "Clock", "Note")
    assert rows.rows() == [
        ("2024-01-05", "2024-01-05T00:00:00", "31.25", "12", "true", "07:30:00", "a\nb", 2),
        ("2024-01-06", "2024-01-05T01:00:00", "0.001", "-3", "false", None, "=x", 4),
    ]


def test_every_sheet_is_a_table_hidden_ones_too_and_empty_ones_not(tmp_path: Path) -> None:
    def fill(book: openpyxl.Workbook, sheet: Worksheet) -> None:
        sheet.append(["a", "b"])
        hidden = book.create_sheet("Hidden")
        hidden.sheet_state = "hidden"
        hidden.append(["c"])
        hidden.append([1])
        book.create_sheet("Empty")

    found = read(write(tmp_path / "book.xlsx", fill))
    assert list(found) == ["Weights", "Hidden"]
    assert found["Weights"][1].height == 0
    assert found["Hidden"][1].rows() == [("1", 2)]


def test_the_table_may_begin_further_down_and_to_the_right(tmp_path: Path) -> None:
    def fill(_: openpyxl.Workbook, sheet: Worksheet) -> None:
        sheet["B2"] = "All weights of the year"
        sheet.merge_cells("B2:C2")
        for cell, value in {"B4": "a", "C4": "b", "B5": 1, "C5": 2}.items():
            sheet[cell] = value

    path = write(tmp_path / "book.xlsx", fill)
    table, rows = read(path, skip_rows_of=(("Wei*", 3),))["Weights"]
    assert table.header == ("a", "b")
    assert rows.rows() == [("1", "2", 5)]
    with pytest.raises(ReadError, match="merged cells: B2:C2"):
        read(path)


def test_error_cells_and_uncalculated_formulas_do_not_pass_as_empty(tmp_path: Path) -> None:
    def fill(_: openpyxl.Workbook, sheet: Worksheet) -> None:
        sheet.append(["a", "b"])
        sheet.append(["=1+1", 5])
        sheet.append(["x", "#N/A"])
        sheet["B3"].data_type = "e"

    _, rows = read(write(tmp_path / "book.xlsx", fill))["Weights"]
    assert rows.rows() == [("=1+1", "5", 2), ("x", "#N/A", 3)]


def test_a_sheet_set_aside_is_counted_whatever_its_layout(tmp_path: Path) -> None:
    def fill(book: openpyxl.Workbook, sheet: Worksheet) -> None:
        sheet.append(["a"])
        diary = book.create_sheet("Diary")
        diary.append(["Diary", "Diary"])
        diary.append(["wasps", None])
        diary.merge_cells("A3:B3")

    path = write(tmp_path / "book.xlsx", fill)
    table, rows = read(path, unchecked_sheets=("Dia*",))["Diary"]
    assert table.header == ("column 1", "column 2")
    assert rows.rows() == [("Diary", "Diary", 1), ("wasps", None, 2)]
    with pytest.raises(ReadError, match="'Diary' has merged cells: A3:B3"):
        read(path)


def test_merged_data_cells_are_refused_by_their_range(tmp_path: Path) -> None:
    def fill(_: openpyxl.Workbook, sheet: Worksheet) -> None:
        for row in (["a", "b"], ["hive 1", 1], [None, 2]):
            sheet.append(row)
        sheet.merge_cells("A2:A3")

    with pytest.raises(ReadError, match=r"sheet 'Weights' has merged cells: A2:A3\.") as caught:
        read(write(tmp_path / "book.xlsx", fill))
    assert caught.value.mend.startswith("Unmerge them")


def test_a_lone_cell_far_away_does_not_expand(tmp_path: Path) -> None:
    def fill(_: openpyxl.Workbook, sheet: Worksheet) -> None:
        sheet.append(["a", "b"])
        sheet["XFD1048576"] = 1

    with pytest.raises(ReadError, match="spans 1,048,576 rows and 16,384 columns"):
        read(write(tmp_path / "book.xlsx", fill))


def test_a_workbook_that_expands_beyond_the_limit_is_refused_unopened(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", lambda _, sheet: sheet.append(["a"]))
    rewrite(path, "xl/styles.xml", lambda xml: xml + b" " * 3_000_000)
    assert path.stat().st_size < 100_000
    with pytest.raises(ReadError, match="expands to 3 MB, more than the 1 MB allowed"):
        list(read_tables(path, limits=IngestSettings(maximum_expanded_mb=1)))


def test_a_member_that_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", lambda _, sheet: sheet.append(["a"]))
    content = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as archive:
        info = archive.getinfo("xl/worksheets/sheet1.xml")
    for at in (m.start() for m in re.finditer(rb"PK\x01\x02", content)):
        if content[at + 46 :].startswith(info.filename.encode()):
            content[at + 24 : at + 28] = (10).to_bytes(4, "little")
    path.write_bytes(content)
    with pytest.raises(ReadError, match="damaged workbook"):
        read(path)


def test_entities_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", lambda _, sheet: sheet.append(["a"]))
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    rewrite(path, "xl/worksheets/sheet1.xml", lambda xml: bomb + xml)
    with pytest.raises(ReadError, match="declares a document type"):
        read(path)


def test_macros_are_refused_whatever_the_name(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", lambda _, sheet: sheet.append(["a"]))
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"x")
    with pytest.raises(ReadError, match="holds macros"):
        read(path)


def test_an_encrypted_member_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", lambda _, sheet: sheet.append(["a"]))
    content = bytearray(path.read_bytes())
    for mark, offset in ((rb"PK\x03\x04", 6), (rb"PK\x01\x02", 8)):
        for at in (m.start() for m in re.finditer(mark, content)):
            content[at + offset] |= 1
    path.write_bytes(content)
    with pytest.raises(ReadError, match="protected by a password"):
        read(path)


@pytest.mark.parametrize("member", ["xl/workbook.xml", "xl/worksheets/sheet1.xml"])
def test_broken_xml_is_a_damaged_workbook(tmp_path: Path, member: str) -> None:
    path = write(tmp_path / "book.xlsx", lambda _, sheet: sheet.append(["a"]))
    rewrite(path, member, lambda xml: xml[: len(xml) // 2])
    with pytest.raises(ReadError, match="damaged workbook"):
        read(path)


def test_a_cut_off_workbook_and_an_empty_one_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "book.xlsx", lambda book, sheet: None)
    with pytest.raises(ReadError, match="empty workbook"):
        read(path)
    path.write_bytes(path.read_bytes()[:400])
    with pytest.raises(ReadError, match="damaged workbook"):
        read(path)


@pytest.mark.parametrize("number", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA, 97])
def test_a_compression_that_workbooks_do_not_use_is_refused(tmp_path: Path, number: int) -> None:
    """ECMA-376, part 2 (packaging) allows stored and deflated members only."""
    path = write(tmp_path / "book.xlsx", lambda _, sheet: sheet.append(["a"]))
    content = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        for at in [m.start() for m in re.finditer(re.escape(mark), bytes(content))]:
            content[at + offset : at + offset + 2] = number.to_bytes(2, "little")
    path.write_bytes(content)
    with pytest.raises(ReadError, match="damaged workbook"):
        read(path)


def test_numbers_follow_the_decimal_mark_that_was_set(tmp_path: Path) -> None:
    def fill(_: openpyxl.Workbook, sheet: Worksheet) -> None:
        for row in (["a"], [1.5], ["2,5"]):
            sheet.append(row)

    table, rows = read(write(tmp_path / "book.xlsx", fill), decimal=",")["Weights"]
    assert table.decimal == ","
    assert rows["a"].to_list() == ["1,5", "2,5"]
