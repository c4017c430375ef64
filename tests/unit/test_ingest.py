"""Ingest: what is loaded, superseded and refused, that nothing is lost, and checking alone."""

from __future__ import annotations

import hashlib
import shutil
import sys
from pathlib import Path

import openpyxl
import pytest

from pipeline.errors import ReadError
from pipeline.ingest import check_files
from pipeline.progress import SILENT
from pipeline.rebuild import rebuild_study
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study
from tests.inbox import (
    APIARIES,
    COLONIES,
    HEAD,
    TODAY,
    everything,
    ingest,
    put,
    rejected,
    stored,
)


def test_rows_are_loaded_with_where_they_came_from(study: Study) -> None:
    put(study, a=APIARIES, c=COLONIES, w=HEAD + "C1,2024-10-05,31.5,scale\n")
    summary = ingest(study)
    assert [(f.name, f.status, f.rows_accepted) for f in summary.files] == [
        ("a.csv", "loaded", 1),
        ("c.csv", "loaded", 2),
        ("w.csv", "loaded", 1),
    ]
    with Store.open(study.store_path, read_only=True) as store:
        rows = store.connection.sql("FROM weighings_rows").pl()
    source = study.inbox_path / "w.csv"
    sha256 = hashlib.sha256(source.read_bytes()).hexdigest()
    row = rows.row(0, named=True)
    assert (row["_file_sha256"], row["_file_no"], row["_sheet"], row["_row"]) == (sha256, 3, "", 2)
    archived = study.archive_path / sha256[:2] / sha256
    assert archived.read_bytes() == source.read_bytes()
    assert not study.working_path.exists()


def test_the_same_bytes_twice_change_nothing(study: Study) -> None:
    put(study, a=APIARIES, c=COLONIES, w=HEAD + "C1,2024-10-05,31.5,scale\nC1,x,1,scale\n")
    ingest(study)
    before = everything(study)
    shutil.copy(study.inbox_path / "w.csv", study.inbox_path / "w again.csv")
    for _ in range(2):
        *files, copy = ingest(study).files
        assert {f.status for f in files} == {"unchanged"}
        assert (copy.name, copy.status) == ("w again.csv", "copy")
        assert "exactly what inbox/w.csv holds" in copy.problem
    assert everything(study) == before


def test_the_same_bytes_under_two_names_in_one_go_load_once(study: Study) -> None:
    put(study, a=APIARIES, a2=APIARIES)
    assert [(f.name, f.status) for f in ingest(study).files] == [
        ("a.csv", "loaded"),
        ("a2.csv", "copy"),
    ]
    assert stored(study, "files").height == 1


def test_a_loaded_file_that_was_renamed_is_no_copy(study: Study) -> None:
    put(study, a=APIARIES)
    ingest(study)
    (study.inbox_path / "a.csv").rename(study.inbox_path / "b.csv")
    assert [(f.name, f.status) for f in ingest(study).files] == [("a.csv", "unchanged")]


def test_a_refused_file_is_tried_again_under_another_name(study: Study) -> None:
    """Some sentences ask for another name; the same bytes then fare better."""
    csv = study.inbox_path / "a.csv"
    csv.write_text(APIARIES)
    named_wrong = csv.rename(study.inbox_path / "a.parquet")
    assert [(f.name, f.status) for f in ingest(study).files] == [("a.parquet", "rejected")]
    named_wrong.rename(csv)
    assert [(f.name, f.status) for f in ingest(study).files] == [("a.csv", "loaded")]
    rebuild_study(study, Settings(), SILENT, TODAY)
    assert stored(study, "files").select("name", "status").rows() == [("a.csv", "loaded")]


def test_two_empty_files_are_told_each(study: Study) -> None:
    put(study, a="", b="")
    for _ in range(2):
        first, second = ingest(study).files
        assert (first.name, first.problem) == ("a.csv", "a.csv is empty.")
        assert (second.name, second.status) == ("b.csv", "rejected")
        assert "exactly what inbox/a.csv holds" in second.problem
    (study.inbox_path / "a.csv").unlink()
    [left] = ingest(study).files
    assert (left.name, left.problem) == ("b.csv", "b.csv is empty.")


def test_a_newer_file_supersedes_and_the_older_row_stays_queryable(study: Study) -> None:
    put(study, a=APIARIES, c=COLONIES, w1=HEAD + "C1,2024-10-05,31.5,scale\n")
    ingest(study)
    put(study, w2=HEAD + "C1,2024-10-05,30.5,scale\nC2,2024-10-05,28,scale\n")
    ingest(study)
    assert stored(study, "weighings")["gross_kg"].to_list() == [30.5, 28.0]
    with Store.open(study.store_path, read_only=True) as store:
        kept = store.connection.sql(
            "SELECT gross_kg, _file_no, _is_superseded FROM weighings_rows ORDER BY ALL"
        ).fetchall()
    assert kept == [(28.0, 4, False), (30.5, 4, False), (31.5, 3, True)]


def test_rows_supersede_at_the_very_ends_of_a_file_s_keys(study: Study) -> None:
    """Readings at the bounds of what can be dated, of which files share the first and the last."""
    head = "colony_id,logged_at,position,temperature_c\n"
    first, last = "0001-01-01T00:00:00+10:00", "2025-03-31T23:59:59-10:00"
    put(
        study,
        a=APIARIES,
        c=COLONIES,
        s1=head + f"C1,{first},floor,1\nC1,2024-10-05T00:00:00Z,floor,1\nC2,{last},floor,1\n",
        s2=head + f"C2,{last},floor,2\n",
        s3=head + f"C1,{first},floor,3\nC2,2024-10-05T00:00:00Z,floor,3\n",
    )
    ingest(study)
    with Store.open(study.store_path, read_only=True) as store:
        kept = store.connection.sql(
            "SELECT colony_id, temperature_c, _file_no, _is_superseded FROM sensor_readings_rows "
            "ORDER BY _file_no, colony_id, logged_at"
        ).fetchall()
    assert kept == [
        ("C1", 1.0, 3, True),
        ("C1", 1.0, 3, False),
        ("C2", 1.0, 3, True),
        ("C2", 2.0, 4, False),
        ("C1", 3.0, 5, False),
        ("C2", 3.0, 5, False),
    ]


def test_within_a_file_the_first_row_of_a_key_stands(study: Study) -> None:
    lines = "C1,2024-10-05,31.5,scale\nC1,2024-10-05,30,scale\nC1,2024-10-05,29,scale\n"
    put(study, a=APIARIES, c=COLONIES, w=HEAD + "C1,2024-10-05,3,scale\n" + lines)
    ingest(study)
    assert stored(study, "weighings")["gross_kg"].to_list() == [31.5]
    assert rejected(study) == [
        ("w.csv", 2, "gross_kg", "minimum"),
        ("w.csv", 4, "colony_id, weighed_on", "duplicate key"),
        ("w.csv", 5, "colony_id, weighed_on", "duplicate key"),
    ]
    assert "row 3 has the same" in stored(study, "rejected_rows")["mend"][1]


@pytest.mark.parametrize("most_held", [0, 2, 100])
def test_rows_held_in_memory_and_rows_on_disk_are_one_file(
    study: Study, monkeypatch: pytest.MonkeyPatch, most_held: int
) -> None:
    """Two sheets: with 2 the first is held and the second is not; the outcome is the same."""
    monkeypatch.setattr("pipeline.staging._MOST_HELD", most_held)
    put(study, a=APIARIES, c=COLONIES, w=HEAD + "C1,2024-11-20,28,scale\n")
    book = openpyxl.Workbook()
    for name, rows in {
        "autumn": [("C1", "2024-10-05", 31.5), ("C2", "2024-10-05", 30)],
        "spring": [("C1", "2025-03-28", 24), ("C1", "2024-10-05", 29), ("C9", "2025-03-28", 20)],
    }.items():
        sheet = book.create_sheet(name)
        sheet.append(HEAD.strip().split(","))
        for row in rows:
            sheet.append([*row, "scale"])
    book.remove(book["Sheet"])
    book.save(study.inbox_path / "x.xlsx")
    summary = ingest(study)
    assert [(f.name, f.rows_accepted, f.rows_rejected) for f in summary.files][2:] == [
        ("w.csv", 1, 0),
        ("x.xlsx", 3, 2),
    ]
    assert sorted(stored(study, "weighings")["gross_kg"]) == [24.0, 28.0, 30.0, 31.5]
    assert sorted((column, rule) for _, _, column, rule in rejected(study)) == [
        ("colony_id", "unknown reference"),
        ("colony_id, weighed_on", "duplicate key"),
    ]
    [mend] = stored(study, "rejected_rows").filter(rule="duplicate key")["mend"]
    assert "row 2 of sheet autumn has the same" in mend


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.csv", b""),
        ("blank.csv", b"\n\n"),
        ("strange.csv", b"foo,bar\n1,2\n"),
        ("photo.csv", b"\x89PNG\r\n\x1a\n" + bytes(64)),
        ("cut.csv.gz", b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03abc"),
        ("locked.xlsx", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512)),
        ("letter.docx", b"PK\x03\x04" + bytes(64)),
        ("twice.csv", b"colony_id,colony_id\n1,2\n"),
    ],
)
def test_a_file_that_cannot_be_used_is_told_and_leaves_the_rest(
    study: Study, name: str, content: bytes
) -> None:
    put(study, a=APIARIES)
    ingest(study)
    before = everything(study)
    (study.inbox_path / name).write_bytes(content)
    (told,) = ingest(study).with_status("rejected")
    assert (told.name, bool(told.problem), bool(told.mend)) == (name, True, True)
    after = everything(study)
    assert len(after.pop("files")) == len(before.pop("files")) + 1
    assert after == before
    assert not (study.archive_path / hashlib.sha256(content).hexdigest()[:2]).exists()


def test_a_file_broken_further_down_leaves_no_row(study: Study) -> None:
    text = HEAD + "C1,2024-10-05,31.5,scale\n" * 3 + 'C1,2024-10-06,31.5,"scale\n'
    put(study, a=APIARIES, c=COLONIES, w=text)
    summary = ingest(study)
    assert [f.name for f in summary.with_status("rejected")] == ["w.csv"]
    assert stored(study, "weighings").height == 0
    assert rejected(study) == []


@pytest.mark.skipif(sys.platform == "win32", reason="links need a special right there")
def test_links_out_of_the_study_are_not_followed(study: Study, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "a.csv").write_text(APIARIES)
    (study.inbox_path / "file.csv").symlink_to(secret / "a.csv")
    (study.inbox_path / "folder").symlink_to(secret)
    for _ in range(2):
        summary = ingest(study)
        assert {f.name for f in summary.with_status("rejected")} == {"file.csv", "folder"}
    assert stored(study, "files").height == 2
    assert stored(study, "apiaries").height == 0


def test_folders_in_the_inbox_are_searched_and_leftovers_passed_over(study: Study) -> None:
    sub = study.inbox_path / "berta" / "2024"
    sub.mkdir(parents=True)
    (sub / "a.csv").write_text(APIARIES)
    (sub / "~$a.xlsx").write_bytes(b"lock")
    (sub / ".hidden").write_bytes(b"x")
    assert [f.name for f in ingest(study).files] == ["berta/2024/a.csv"]


def test_check_tells_what_ingest_would_refuse_and_what_it_cannot_know(study: Study) -> None:
    text = HEAD + "C1,2024-10-05,3150,scale\nC8,2024-10-05,31,scale\n"
    put(study, w=text, c=COLONIES)
    weighings, colonies = study.inbox_path / "w.csv", study.inbox_path / "c.csv"
    alone = check_files([weighings], [], Settings(), TODAY)
    assert [(p.file, p.row, p.column, p.rule) for p in alone.problems] == [
        (str(weighings), 2, "gross_kg", "maximum")
    ]
    assert alone.notes == (
        "References to colonies were not checked: none of the files holds that record.",
    )
    both = check_files([weighings, colonies], [], Settings(), TODAY)
    assert [(p.row, p.rule) for p in both.problems] == [(2, "maximum"), (3, "unknown reference")]
    assert (both.rows_read, both.rows_rejected) == (4, 2)
    assert not study.store_path.exists()


def test_check_tells_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "photo.csv"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64))
    (problem,) = check_files([path], [], Settings(), TODAY).problems
    assert (problem.file, problem.row) == (str(path), None)
    assert "picture" in problem.rule
    with pytest.raises(ReadError, match="not a file"):
        check_files([tmp_path / "absent.csv"], [], Settings(), TODAY)
