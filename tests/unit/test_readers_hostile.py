"""Files made to harm: each ends in a plain sentence or in counted rows, soon and in little memory.

The attacks are those usual against archives, XML, links and parsers of tables (common practice, no
source); the limits that are stated are the readers' own.
"""

from __future__ import annotations

import os
import re
import sys
import time
import zipfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from pipeline.errors import ReadError
from pipeline.ingest import check_files
from pipeline.readers import ReadOptions, TextTable, read_tables
from pipeline.readers.tables import LONGEST_CELL
from pipeline.settings import IngestSettings, Settings
from pipeline.study import Study
from tests.inbox import APIARIES, COLONIES, HEAD, TODAY, everything, ingest, put, rejected

SHEET = "xl/worksheets/sheet1.xml"
LINKS = "xl/_rels/workbook.xml.rels"
ROW = ["C1", "2024-10-05", 31.5, "scale"]
Parts = dict[str, bytes]


def workbook(path: Path, change: Callable[[Parts], object] = lambda parts: None) -> Path:
    """Write a good workbook of one weighing, then change the parts of its archive."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "weighings"
    sheet.append(HEAD.strip().split(","))
    sheet.append(ROW)
    book.save(path)
    with zipfile.ZipFile(path) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    change(parts)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


def in_sheet(old: str, new: str) -> Callable[[Parts], None]:
    def change(parts: Parts) -> None:
        assert old.encode() in parts[SHEET]
        parts[SHEET] = parts[SHEET].replace(old.encode(), new.encode())

    return change


def sheet_of(rows: str) -> bytes:
    space = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    return f'<worksheet xmlns="{space}"><sheetData>{rows}</sheetData></worksheet>'.encode()


def moved_sheet(content: Callable[[bytes], bytes]) -> Callable[[Parts], None]:
    """Put the sheet into a member whose name does not end in .xml."""

    def change(parts: Parts) -> None:
        parts["xl/worksheets/sheet1.dat"] = content(parts.pop(SHEET))
        for name in (LINKS, "[Content_Types].xml"):
            parts[name] = parts[name].replace(b"sheet1.xml", b"sheet1.dat")

    return change


def in_utf16(parts: Parts) -> None:
    text = re.sub(r"<\?xml[^>]*>", "", parts[SHEET].decode())
    parts[SHEET] = f'<?xml version="1.0" encoding="UTF-16"?>{text}'.encode("utf-16")


def two_of_a_name(parts: Parts) -> None:
    parts["xl/worksheets/sheet2.xml"] = parts[SHEET]
    parts["xl/workbook.xml"] = re.sub(
        rb"(<sheet [^>]*?)/>",
        lambda m: m[0] + m[0].replace(b'r:id="rId1"', b'r:id="rId9"'),
        parts["xl/workbook.xml"],
    )
    parts[LINKS] = parts[LINKS].replace(
        b"</Relationships>",
        b'<Relationship Id="rId9" Type="worksheet" Target="/xl/worksheets/sheet2.xml"/>'
        b"</Relationships>",
    )


def long_shared_text(parts: Parts) -> None:
    cells = "".join(f'<row r="{i}"><c r="A{i}" t="s"><v>0</v></c></row>' for i in range(1, 3001))
    parts["xl/sharedStrings.xml"] = f"<sst><si><t>{'x' * 20_000}</t></si></sst>".encode()
    parts[SHEET] = sheet_of(cells)


def formulas_without_value(parts: Parts) -> None:
    cells = "".join(f'<row r="{i}"><c r="A{i}"><f>A1</f></c></row>' for i in range(1, 100_003))
    parts[SHEET] = sheet_of(cells)


HARMFUL: dict[str, tuple[Callable[[Parts], object], str]] = {
    "a row number in another script": (in_sheet('r="A2"', 'r="A٢"'), "cannot be read"),
    "a row number that is a power": (in_sheet('<row r="2"', '<row r="²"'), ""),
    "row nought": (in_sheet('r="A2"', 'r="A0"'), "cannot be read"),
    "a number that is none": (in_sheet("<v>31.5</v>", "<v>abc</v>"), "cannot be read"),
    "a number without end": (in_sheet("31.5", "3" * 2_000_000), "more than 32,767 characters"),
    "a merged range that is none": (
        in_sheet("</sheetData>", '</sheetData><mergeCells><mergeCell ref="x"/></mergeCells>'),
        "cannot be read",
    ),
    "an entity where no one looks": (
        moved_sheet(lambda xml: b'<!DOCTYPE x [<!ENTITY e "scale">]>' + xml),
        "declares a document type",
    ),
    "a file of the system as an entity": (
        in_sheet(
            "<worksheet", '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><worksheet'
        ),
        "declares a document type",
    ),
    "a lone cell far away where no one looks": (
        moved_sheet(lambda _: sheet_of('<row r="9"><c r="XFD1048576"><v>1</v></c></row>')),
        "spans",
    ),
    "an alphabet that the cell reader does not know": (in_utf16, "8 values, but 0 can be read"),
    "an encoding nobody has": (in_sheet("<worksheet", "<worksheet"), ""),
    "two sheets of one name": (two_of_a_name, "damaged workbook"),
    "a sheet that leads out": (
        lambda parts: parts.update(
            {LINKS: parts[LINKS].replace(b"/xl/worksheets/sheet1.xml", b"../../../../etc/hostname")}
        ),
        "damaged workbook",
    ),
    "a sheet that is not there": (lambda parts: parts.pop(SHEET), "damaged workbook"),
    "one text in many cells": (long_shared_text, "expands to more than 20 MB"),
    "many formulas without a value": (formulas_without_value, "more than 100,000 cells"),
}
del HARMFUL["an encoding nobody has"]  # its declaration stands first; tested on its own below


def read(path: Path, limits: IngestSettings, **options: object) -> list[tuple[TextTable, int]]:
    found = []
    for table in read_tables(path, ReadOptions(**options), limits):  # type: ignore[arg-type]
        found.append((table, sum(batch.height for batch in table.batches)))
    return found


@pytest.mark.parametrize("kind", HARMFUL)
def test_a_harmful_workbook_is_refused_in_words(tmp_path: Path, kind: str) -> None:
    change, words = HARMFUL[kind]
    path = workbook(tmp_path / "b.xlsx", change)
    began = time.perf_counter()
    with pytest.raises(ReadError) as caught:
        read(path, IngestSettings(maximum_expanded_mb=20))
    assert words in caught.value.problem
    assert caught.value.problem.startswith("b.xlsx") and caught.value.mend.endswith(".")
    assert time.perf_counter() - began < 10  # a stated limit; each takes well under one second


def test_an_encoding_of_xml_that_nobody_has_is_refused(tmp_path: Path) -> None:
    def change(parts: Parts) -> None:
        body = re.sub(rb"<\?xml[^>]*>", b"", parts[SHEET])
        parts[SHEET] = b'<?xml version="1.0" encoding="UTF-7"?>' + body

    with pytest.raises(ReadError, match="damaged workbook"):
        read(workbook(tmp_path / "b.xlsx", change), IngestSettings())


def test_a_time_that_no_calendar_has_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "b.xlsx"
    book = openpyxl.Workbook()
    book.active.append(["a"])
    book.active.append([timedelta(hours=30)])
    book.active["A2"].number_format = "[h]:mm:ss"
    book.save(path)
    with zipfile.ZipFile(path) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    parts[SHEET] = re.sub(rb"<v>1\.25</v>", b"<v>1e18</v>", parts[SHEET])
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    with pytest.raises(ReadError, match="no calendar has"):
        read(path, IngestSettings())


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("name", [SHEET, SHEET.upper(), SHEET.replace("/", "\\")])
def test_a_member_that_is_there_twice_is_refused(tmp_path: Path, name: str) -> None:
    path = workbook(tmp_path / "b.xlsx")
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr(name, sheet_of(""))
    with pytest.raises(ReadError, match="damaged workbook"):
        read(path, IngestSettings())


def test_members_that_climb_out_are_never_written(tmp_path: Path) -> None:
    (tmp_path / "deep" / "er").mkdir(parents=True)
    path = workbook(tmp_path / "deep" / "er" / "b.xlsx")
    with zipfile.ZipFile(path, "a") as archive:
        for name in ("../../climbed.csv", str(tmp_path / "climbed.csv"), "..\\climbed.csv"):
            archive.writestr(name, "a,b\n")
    ((_, rows),) = read(path, IngestSettings())
    assert rows == 1
    assert not list(tmp_path.rglob("*climbed*"))


@pytest.mark.parametrize("text", ["9" * 2_000_000, "x" * 40_000, "1e" + "9" * 60_000])
def test_a_cell_without_end_costs_its_row_and_no_time(tmp_path: Path, text: str) -> None:
    path = tmp_path / "w.csv"
    path.write_text(HEAD + "C1,2024-10-05,31,scale\nC1,2024-10-06," + text + ",scale\n")
    began = time.perf_counter()
    found = check_files([path], [], Settings(), TODAY)
    assert time.perf_counter() - began < 10  # a stated limit; once this took hours
    assert (found.rows_read, found.rows_rejected) == (2, 1)
    (problem,) = found.problems
    assert (problem.row, problem.rule) == (3, f"a cell of {len(text):,} characters")
    assert len(problem.value) < 300


def test_the_longest_cell_is_read(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text(f"a,b\n1,{'é' * LONGEST_CELL}\n2,{'é' * (LONGEST_CELL + 1)}\n")
    ((table, rows),) = read(path, IngestSettings())
    assert rows == 1 and [m.row for m in table.malformed] == [3]


@pytest.mark.parametrize("content", ['a,b\n1" x,2\n\x1e\n3,4\n', 'a\nx"y\n\x1e\n3\n'])
def test_no_character_ends_a_table_early(tmp_path: Path, content: str) -> None:
    """A separator of records stands alone in a row: blank, and the row below is read."""
    path = tmp_path / "w.csv"
    path.write_text(content)
    (table,) = read_tables(path)
    rows = pl.concat(list(table.batches))
    assert rows["a"][-1] == "3" and rows["_row"].to_list() == [2, 4]


def test_rows_whose_fields_do_not_fit_are_kept_up_to_a_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.readers.delimited._MOST_MALFORMED", 5)
    path = tmp_path / "w.csv"
    path.write_text("a,b\n" + "1\n" * 5)
    ((table, _),) = read(path, IngestSettings())
    assert len(table.malformed) == 5
    path.write_text("a,b\n" + "1\n" * 6)
    with pytest.raises(ReadError, match="more than 5 rows"):
        read(path, IngestSettings())


def test_a_row_of_too_many_and_too_long_fields_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text("a,b\n1,2," + "x" * 200_000 + "\n" + ",".join("1" * 100_000) + "\n3,4\n")
    ((table, rows),) = read(path, IngestSettings())
    assert rows == 1 and [m.row for m in table.malformed] == [2, 3]


def test_half_a_character_at_the_end_is_told(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_bytes(b"\xff\xfe" + "a,b\n1,2".encode("utf-16-le")[:-1])
    with pytest.raises(ReadError, match="cannot be read as utf-16-le text"):
        read(path, IngestSettings())


@pytest.mark.parametrize(
    "encoding", ["utf-7", "rot13", "base64", "punycode", "unicode_escape", "cp037", "\0"]
)
def test_an_encoding_that_is_no_alphabet_is_refused(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "w.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(ReadError, match="There is no encoding called"):
        read(path, IngestSettings(), encoding=encoding)


def test_days_that_no_calendar_has_cost_their_rows(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    days = pl.Series([2**31 - 1, -(2**31), 0, None], dtype=pl.Int32).cast(pl.Date)
    moments = pl.Series([2**63 - 1, -(2**63) + 1, 0, None], dtype=pl.Int64)
    frame = pl.DataFrame({"d": days, "m": moments.cast(pl.Datetime("us", "UTC")), "n": [1] * 4})
    frame.write_parquet(path)
    (table,) = read_tables(path)
    rows = pl.concat(list(table.batches))
    assert rows["d"].to_list() == ["2147483647", "-2147483648", "1970-01-01", None]
    assert rows["m"].to_list()[2:] == ["1970-01-01T00:00:00+00:00", None]


def test_parquet_with_changed_bytes_never_ends_in_a_trace(tmp_path: Path) -> None:
    good = tmp_path / "good.parquet"
    pl.DataFrame({"colony_id": ["C1"] * 50, "gross_kg": [31.0] * 50}).write_parquet(good)
    content = good.read_bytes()
    outcomes = set()
    for at in range(4, len(content) - 8, 7):
        path = tmp_path / "x.parquet"
        path.write_bytes(content[:at] + bytes([content[at] ^ 0xFF]) + content[at + 1 :])
        try:
            read(path, IngestSettings())
            outcomes.add("read")
        except ReadError:
            outcomes.add("refused")
    assert outcomes == {"read", "refused"}


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and links as files are of Unix")
def test_whatever_lies_in_the_inbox_is_told_and_waited_for_never(study: Study) -> None:
    put(study, apiaries=APIARIES, colonies=COLONIES, good=HEAD + "C1,2024-10-05,31,scale\n")
    os.mkfifo(study.inbox_path / "pipe.csv")
    os.mkfifo(study.path / "pipe")
    outside = study.path.parent / "outside.csv"
    outside.write_text(HEAD)
    study.settings_path.write_text("[study]\n")
    ways = {
        "to pipe.csv": study.path / "pipe",
        "to device.csv": Path("/dev/zero"),
        "to itself.csv": study.inbox_path / "to itself.csv",
        "to nothing.csv": study.path / "nothing",
        "to folder": study.inbox_path,
        "to folder outside": study.path.parent,
        "to file outside.csv": outside,
        "to settings.csv": study.settings_path,
    }
    for name, target in ways.items():
        (study.inbox_path / name).symlink_to(target)
    with open(os.fsencode(study.inbox_path) + b"/no text \xff.csv", "w") as file:
        file.write(HEAD)
    said = {f.name: f.problem for f in ingest(study).files if f.status == "rejected"}
    assert said.keys() == {*ways, "pipe.csv", "no text \\udcff.csv"}
    assert all(said.values())
    assert len(everything(study)["weighings_rows"]) == 1


def test_sql_and_odd_signs_in_names_stay_names(study: Study) -> None:
    put(study, apiaries=APIARIES, colonies=COLONIES)
    sql = "'; DROP TABLE files; --"
    (study.inbox_path / f"{sql}.csv").write_text(
        HEAD + f'"{sql}",2024-10-05,31,scale\nC1,2024-10-05,"""; DELETE",scale\n'
        "C1,2024-10-06,31,scale\n"
    )
    (study.inbox_path / "[a]*?{b} %s\u202e.csv").write_text(HEAD + "C1,2024-10-07,31,scale\n")
    ingest(study)
    found = everything(study)
    assert len(found["files"]) == 4
    assert len(found["weighings_rows"]) == 2
    assert {(name, row) for name, row, _, _ in rejected(study)} == {
        (f"{sql}.csv", 2),
        (f"{sql}.csv", 3),
    }


def test_names_that_show_as_others_are_refused(study: Study) -> None:
    names = ["\u202elliH", "Hi\u200bll", "Hi\u2066ll", "Hi\u0007ll", "-Hill", "=Hill", "@H", "+H"]
    rows = "".join(f'"{name}",M1\n' for name in names)
    put(study, apiaries="apiary_id,member_id\n" + rows + "Hill,M1\n")
    (file,) = ingest(study).files
    assert (file.rows_read, file.rows_accepted, file.rows_rejected) == (9, 1, 8)
