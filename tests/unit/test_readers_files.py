"""Files that are not what they claim to be: one plain sentence and its mend each."""

import gzip
import struct
from pathlib import Path

import pytest

from pipeline.errors import ReadError
from pipeline.readers import read_tables, refuse_unfit
from pipeline.settings import IngestSettings

PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 40
JPEG = b"\xff\xd8\xff\xe0" + b"\0" * 40
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600
TABLE = b"a,b\n" + b"1,2\n" * 5000


def refused(path: Path, **limits: int) -> ReadError:
    with pytest.raises(ReadError) as caught:
        for table in read_tables(path, limits=IngestSettings(**limits)):
            list(table.batches)
    assert path.name in caught.value.problem
    assert caught.value.mend.endswith(".")
    return caught.value


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.csv", b"", "is empty"),
        ("photo.csv", PNG, "is a picture (PNG)"),
        ("photo.xlsx", JPEG, "is a picture (JPEG)"),
        ("scan.csv", b"%PDF-1.7\n", "is a PDF document"),
        ("book.csv", b"PK\x03\x04" + b"\0" * 40, "is a workbook or a zip archive"),
        ("packed.csv.gz", gzip.compress(PNG), "is a picture (PNG)"),
        ("secret.xlsx", OLE, "protected by a password"),
        ("old.xls", OLE, "is of a kind that is not read"),
        ("macro.xlsm", b"PK\x03\x04" + b"\0" * 40, "is of a kind that is not read"),
        ("letter.docx", b"PK\x03\x04" + b"\0" * 40, "is of a kind that is not read"),
        ("notes.xlsx", b"a,b\n1,2\n", "is not a workbook"),
        ("rows.parquet", b"a,b\n1,2\n", "is not a Parquet file"),
        ("broken.parquet", b"PAR1" + b"\0" * 40, "is a damaged Parquet file"),
        ("plain.csv.gz", b"a,b\n1,2\n", "is not gzip-compressed"),
        ("cut.csv.gz", gzip.compress(TABLE)[:-20], "is cut off or damaged"),
        (
            "bent.csv.gz",
            gzip.compress(TABLE)[:-8] + struct.pack("<II", 1, 1),
            "is cut off or damaged",
        ),
        ("weather.dly", b"not the layout\n", "fixed-width layout"),
    ],
)
def test_a_file_that_is_not_what_it_claims_is_refused(
    tmp_path: Path, name: str, content: bytes, words: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert words in refused(path).problem


def test_a_folder_and_an_absent_file_are_refused(tmp_path: Path) -> None:
    folder = tmp_path / "inner.csv"
    folder.mkdir()
    assert "is a folder" in refused(folder).problem
    assert "is not there" in refused(tmp_path / "gone.csv").problem


def test_a_file_beyond_the_limit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    path.write_bytes(b"a,b\n" + b"1,2\n" * 300_000)
    assert "1 MB are allowed" in refused(path, maximum_file_mb=1).problem


def test_a_compressed_file_that_expands_beyond_the_limit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.csv.gz"
    path.write_bytes(gzip.compress(b"a,b\n" + b"1,2\n" * 5_000_000))
    assert path.stat().st_size < 100_000
    assert "expands to more than 1 MB" in refused(path, maximum_expanded_mb=1).problem


def test_a_link_out_of_the_study_is_refused(tmp_path: Path) -> None:
    study, outside = tmp_path / "study", tmp_path / "outside.csv"
    (study / "inbox").mkdir(parents=True)
    outside.write_text("a,b\n")
    inside = study / "inbox" / "own.csv"
    inside.write_text("a,b\n")
    link = study / "inbox" / "link.csv"
    link.symlink_to(outside)
    refuse_unfit(inside, study)
    for path in (link, study / ".." / "outside.csv"):
        with pytest.raises(ReadError, match="leads out of the folder study"):
            refuse_unfit(path, study)
