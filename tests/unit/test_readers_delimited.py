"""Delimited text: what is read, with which row numbers, and what is set aside."""

import codecs
import csv
import gzip
import tempfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.errors import ReadError
from pipeline.readers import MalformedRow, ReadOptions, TextTable, delimited, read_tables
from pipeline.readers.comments import is_comment
from pipeline.settings import IngestSettings

HEADING = "colony_id,logged_at,position,temperature_c,humidity_pct,weight_kg"


def read(
    folder: Path, content: str | bytes, name: str = "x.csv", **options: object
) -> tuple[TextTable, pl.DataFrame]:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    (table,) = read_tables(path, ReadOptions(**options))  # type: ignore[arg-type]
    batches = list(table.batches)
    return table, pl.concat(batches) if batches else pl.DataFrame()


def test_cells_stay_text_and_rows_are_counted_as_a_spreadsheet_does(tmp_path: Path) -> None:
    table, rows = read(tmp_path, "a,b\n1, x \n\n,\n007,\n")
    assert table.header == ("a", "b")
    assert_frame_equal(rows, pl.DataFrame({"a": ["1", "007"], "b": ["x", None], "_row": [2, 5]}))


@pytest.mark.parametrize(
    ("content", "options"),
    [
        ("a;b\n1,5;é\n".encode("latin-1"), {}),
        ("a;b\n1,5;é\n".encode(), {}),
        (codecs.BOM_UTF8 + "a;b\n1,5;é\n".encode(), {}),
        (codecs.BOM_UTF16_LE + "a;b\n1,5;é\n".encode("utf-16-le"), {}),
        (codecs.BOM_UTF16_BE + "a;b\n1,5;é\n".encode("utf-16-be"), {}),
        ("a;b\r\n1,5;é\r\n".encode(), {}),
        ("a;b\r1,5;é\r".encode(), {}),
        ("a;b\n1,5;é".encode(), {}),
        ("a\tb\n1,5\té\n".encode(), {}),
        ("a|b\n1,5|é\n".encode(), {}),
        ('"a";"b"\n"1,5";"é"\n'.encode(), {}),
        ("a;b\n1,5;é\n".encode("cp437"), {"encoding": "cp437"}),
        ("exported by hand\n\na;b\n1,5;é\n".encode(), {"skip_rows": 1}),
        ("# exported, v2\na;b\n# units: kg;\n1,5;é\n# end;\n".encode(), {}),
        (gzip.compress("a;b\n1,5;é\n".encode()), {}),
    ],
)
def test_encodings_line_ends_and_delimiters_are_detected_or_set(
    tmp_path: Path, content: bytes, options: dict[str, object]
) -> None:
    table, rows = read(tmp_path, content, **options)
    assert table.header == ("a", "b")
    assert rows.drop("_row").rows() == [("1,5", "é")]
    assert table.decimal == ","
    assert table.malformed == []


def test_an_unquoted_decimal_comma_is_set_aside_and_never_shifts_a_row(tmp_path: Path) -> None:
    """The case of the library notes: it loads elsewhere as 12 °C, 5 %, 70.4 kg."""
    table, rows = read(
        tmp_path,
        f"{HEADING}\nA,2024-01-05T00:00:00Z,floor,12,5,70.4,\n"
        "A,2024-01-05T01:00:00Z,floor,12.5,70.4,\n",
    )
    assert rows["_row"].to_list() == [3]
    assert rows["temperature_c"].to_list() == ["12.5"]
    (fault,) = table.malformed
    assert (fault.row, fault.column) == (2, "")
    assert fault.rule == "7 fields where the heading has 6"
    assert "decimals with a point" in fault.mend
    assert fault.text == "A,2024-01-05T00:00:00Z,floor,12,5,70.4,"


def test_quoted_cells_may_hold_delimiters_and_line_ends(tmp_path: Path) -> None:
    table, rows = read(tmp_path, 'a,b\n"x, y","two\nlines"\n"say ""so""",""\nlast,z\n')
    assert rows.rows() == [
        ("x, y", "two\nlines", 2),
        ('say "so"', None, 3),
        ("last", "z", 4),
    ]
    assert table.malformed == []


def test_marks_for_inches_inside_cells_are_ordinary_characters(tmp_path: Path) -> None:
    table, rows = read(tmp_path, 'a,b\n2" foam,x\n"q, r",3"\ntoo,many,cells\nlast,y\n')
    assert rows.rows() == [('2" foam', "x", 2), ("q, r", '3"', 3), ("last", "y", 5)]
    assert [m.row for m in table.malformed] == [4]


@pytest.mark.parametrize("cell", ['"open', '2" foam,"open'])
def test_a_quotation_mark_never_closed_is_named_with_its_row(tmp_path: Path, cell: str) -> None:
    with pytest.raises(ReadError, match="row 2 or later is never closed"):
        read(tmp_path, f"a,b\n{cell},x\nmore,y\n")


@pytest.mark.parametrize("window", [1, 2, 3, 5, 8])
@pytest.mark.parametrize("line", ["a b, c", "a b ,c", "a b,c ", " a b,c", "a b,\tc"])
def test_blanks_at_edges_are_found_wherever_a_window_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: str, window: int
) -> None:
    monkeypatch.setattr(delimited, "_WINDOW", window)
    for rows_before in range(3):
        lines = ["one,two", *["x y,z"] * rows_before, line, "x y,z"]
        _, rows = read(tmp_path, "\n".join(lines) + "\n")
        assert rows.row(rows_before)[:2] == ("a b", "c")


def test_blocks_are_joined_without_losing_or_shifting_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = [f'{i},"n {i},\nsecond line",{i / 10}' for i in range(400)]
    lines[100] = "100,short"
    content = "no,text,value\n" + "\n".join(lines) + "\n"
    whole = read(tmp_path, content)
    monkeypatch.setattr("pipeline.readers.files.BLOCK", 97)
    table, rows = read(tmp_path, content)
    assert_frame_equal(rows, whole[1])
    assert [m.row for m in table.malformed] == [m.row for m in whole[0].malformed] == [102]
    assert rows["_row"].to_list() == [i + 2 for i in range(400) if i != 100]


def test_a_late_byte_of_another_encoding_is_refused_not_garbled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.readers.files.BLOCK", 16)
    with pytest.raises(ReadError, match="cannot be read as utf-8"):
        read(tmp_path, b"a,b\n" + "é,1\n".encode() * 9 + "é,1\n".encode("latin-1") * 9)


def test_notes_and_comments_are_no_rows_but_a_hashed_name_is_one(tmp_path: Path) -> None:
    table, rows = read(
        tmp_path,
        "colony_id,gross_kg\n# units:,kg\n# a remark, with, commas\n#7,31\n# 3,30\n# bare,\n",
    )
    assert rows.rows() == [("#7", "31", 4), ("# 3", "30", 5)]
    assert table.malformed == []


def test_a_value_under_no_heading_is_set_aside(tmp_path: Path) -> None:
    table, rows = read(tmp_path, "a,b,\n1,2,\n3,4,stray\n")
    assert table.header == ("a", "b")
    assert rows.rows() == [("1", "2", 2)]
    assert [(m.row, m.text, m.rule) for m in table.malformed] == [
        (3, "stray", "a value under no heading")
    ]


def test_a_heading_alone_is_a_table_without_rows(tmp_path: Path) -> None:
    table, rows = read(tmp_path, "a,b\n")
    assert table.header == ("a", "b")
    assert rows.height == 0


def test_one_column_keeps_its_rows(tmp_path: Path) -> None:
    _, rows = read(tmp_path, 'station_id\nA\n\n"B"\n')
    assert rows.rows() == [("A", 2), ("B", 4)]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("a,A\n1,2\n", "heading 'A' twice"),
        ("a,_row\n1,2\n", "kept for row numbers"),
        ("\n\n", "no heading"),
        ("a~b~c\n1~2~3\n", "not delimited by"),
        ("a,b\n1,\0\n", "NUL"),
    ],
)
def test_unusable_tables_are_refused_in_plain_words(
    tmp_path: Path, content: str, words: str
) -> None:
    with pytest.raises(ReadError, match=words) as caught:
        read(tmp_path, content)
    assert caught.value.mend.endswith(".")


def test_a_delimiter_that_was_set_wrong_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="whole heading is one field"):
        read(tmp_path, "a,b\n1,2\n", delimiter=";")


def test_too_many_columns_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text(",".join(f"c{i}" for i in range(11)) + "\n")
    with pytest.raises(ReadError, match="11 columns; 10 are allowed"):
        list(read_tables(path, limits=IngestSettings(maximum_columns=10)))


def test_the_name_decides_when_the_path_is_the_archive_copy(tmp_path: Path) -> None:
    path = tmp_path / "0f3a"
    path.write_text("a,b\n1,2\n")
    (table,) = read_tables(path, name="Weights of Ann.csv")
    assert table.header == ("a", "b")


def test_the_text_of_a_malformed_row_is_cut(tmp_path: Path) -> None:
    table, _ = read(tmp_path, "a,b\n" + "x" * 999 + "\n")
    assert table.malformed == [
        MalformedRow(
            2,
            "x" * delimited._TEXT_SHOWN,
            "1 field where the heading has 2",
            "Give the row exactly one field for each heading. If the file ends here, it was cut "
            "off: send it again.",
        )
    ]


CELLS = st.text(st.sampled_from('ab1 .,;"\n#é\t'), max_size=6)


@given(
    st.lists(st.tuples(CELLS, CELLS, CELLS), max_size=12),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([7, 64, 4096]),
)
def test_what_a_csv_writer_writes_is_read_back_cell_by_cell(
    rows: list[tuple[str, str, str]], delimiter: str, line_end: str, block: int
) -> None:
    """Against the standard library's writer, blanks around cells left out."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipeline.readers.files.BLOCK", block)
        path = Path(folder) / "x.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, delimiter=delimiter, lineterminator=line_end)
            writer.writerows([("one", "two", "three"), *rows])
        (table,) = read_tables(path, ReadOptions(delimiter=delimiter, encoding="utf-8"))
        found = {row[-1]: row[:-1] for batch in table.batches for row in batch.iter_rows()}
    expected = {}
    for number, row in enumerate(rows, 2):
        cells = tuple(cell.strip() or None for cell in row)
        if any(cells) and not is_comment(row, 3):
            expected[number] = cells
    assert found == expected
    assert table.malformed == []
