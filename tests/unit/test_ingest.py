"""Ingest: what is loaded, superseded, retried and refused, and that nothing is lost."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline import arrivals
from pipeline.errors import MappingError, ReadError, StoreError
from pipeline.ingest import IngestSummary, check_files, ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study

TODAY = date(2025, 4, 1)
ROOT = Path(__file__).parents[2]
APIARIES = "apiary_id,member_id\nHill,M1\n"
COLONIES = "colony_id,apiary_id\nC1,Hill\nC2,Hill\n"
HEAD = "colony_id,weighed_on,gross_kg,method\n"
RUN = """
import resource, signal, sys
from datetime import date
from pathlib import Path
from pipeline.errors import WinterpoolError
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.settings import Settings
from pipeline.study import Study
if len(sys.argv) > 2:
    limit = int(sys.argv[2])
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
print("begun", flush=True)
try:
    ingest_study(Study(Path(sys.argv[1])), Settings(), SILENT, date(2025, 4, 1))
except WinterpoolError as error:
    print(error.problem)
"""


@pytest.fixture
def study(tmp_path: Path) -> Study:
    made = Study(tmp_path / "winters")
    for folder in (made.inbox_path, made.weather_path, made.mappings_path):
        folder.mkdir(parents=True)
    return made


def put(study: Study, **texts: str) -> None:
    """Write CSV files into the inbox."""
    for name, text in texts.items():
        (study.inbox_path / f"{name}.csv").write_text(text, encoding="utf-8")


def ingest(study: Study, today: date = TODAY) -> IngestSummary:
    return ingest_study(study, Settings(), SILENT, today)


def stored(study: Study, table: str) -> pl.DataFrame:
    with Store.open(study.store_path, read_only=True) as store:
        return store.table(table)


def rejected(study: Study) -> list[tuple[str, int, str, str]]:
    """File, row, column and rule of each line."""
    return stored(study, "rejected_rows").select("file_name", "row", "column", "rule").rows()


def everything(study: Study) -> dict[str, list[tuple[object, ...]]]:
    """All that the store holds, but for times of ingest."""
    with Store.open(study.store_path, read_only=True) as store:
        tables = store.connection.sql(
            "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE'"
        ).fetchall()
        found = {}
        for (name,) in tables:
            frame = store.connection.sql(f'FROM "{name}"').pl()
            times = [c for c in frame.columns if c.endswith("ingested_at")]
            found[name] = sorted(frame.drop(times).rows(), key=repr)
        return found


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
    assert {f.status for f in ingest(study).files} == {"unchanged"}
    assert everything(study) == before


def test_the_same_bytes_under_two_names_in_one_go_load_once(study: Study) -> None:
    put(study, a=APIARIES, a2=APIARIES)
    assert len(ingest(study).files) == 1
    assert stored(study, "files").height == 1


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


def test_an_unknown_colony_is_refused_and_accepted_once_it_exists(study: Study) -> None:
    put(study, a=APIARIES, c=COLONIES, w1=HEAD + "C9,2024-10-05,40,scale\n")
    ingest(study)
    assert rejected(study) == [("w1.csv", 2, "colony_id", "unknown reference")]
    put(study, w2=HEAD + "C9,2024-10-05,41,scale\n", d="colony_id,apiary_id\nC9,Hill\n")
    summary = ingest(study)
    assert [f.name for f in summary.with_status("read again")] == ["w1.csv"]
    assert rejected(study) == []
    # the older file was accepted last, but keeps its place: the newer row stands
    assert stored(study, "weighings")["gross_kg"].to_list() == [41.0]
    counts = stored(study, "files").filter(pl.col("name") == "w1.csv")
    assert counts.select("rows_read", "rows_accepted", "rows_rejected").row(0) == (1, 1, 0)


def test_chains_of_references_load_in_one_go_whatever_the_names(study: Study) -> None:
    put(
        study,
        z=APIARIES,
        y=COLONIES,
        b="colony_id,winter,top_opening\nC1,2024,closed\n",
        a="colony_id,winter,surface,material,thickness_mm\nC1,2024,top,cork,50\n",
    )
    ingest(study)
    assert rejected(study) == []
    assert stored(study, "set_up_layers").height == 1


def test_files_that_wait_for_each_other_are_resolved_in_one_go(study: Study) -> None:
    """Each workbook-like mix is ordered by its first table; the rest is retried."""
    put(study, c=COLONIES)
    ingest(study)
    assert {rule for *_, rule in rejected(study)} == {"unknown reference"}
    put(study, w=HEAD + "C1,2024-10-05,31.5,scale\n")
    ingest(study)
    put(study, z=APIARIES)
    ingest(study)
    assert rejected(study) == []
    assert stored(study, "weighings").height == 1


def test_frames_beyond_the_hive_are_refused_until_the_hive_grows(study: Study) -> None:
    strength = "colony_id,inspected_on,frames_of_bees\nC1,2024-10-01,11\nC2,2024-10-01,11\n"
    hives = "colony_id,apiary_id,frames_max\nC1,Hill,10\nC2,Hill,\n"
    put(study, a=APIARIES, c=hives, s=strength)
    ingest(study)
    assert rejected(study) == [("s.csv", 2, "frames_of_bees", "at_most_referenced")]
    put(study, c2="colony_id,apiary_id,frames_max\nC1,Hill,20\n")
    ingest(study)
    assert rejected(study) == []
    assert stored(study, "strength_inspections").height == 2


def test_a_date_that_lay_in_the_future_is_tried_again_when_it_has_come(study: Study) -> None:
    put(study, a=APIARIES, c=COLONIES, w=HEAD + "C1,2095-04-05,31.5,scale\n")
    ingest(study)
    assert rejected(study) == [("w.csv", 2, "weighed_on", "not_after_today")]
    ingest(study, date(2095, 4, 4))
    assert len(rejected(study)) == 1
    ingest(study, date(2095, 4, 5))
    assert rejected(study) == []


MAPPING = """
[[table]]
files = "pounds*.csv"
[[table.record]]
record = "weighings"
[table.record.columns]
colony_id = "Hive"
weighed_on = "Day"
gross_kg = {{from = "Weight", unit = "{unit}"}}
method = {{constant = "scale"}}
"""


def test_a_corrected_mapping_reads_its_files_again(study: Study) -> None:
    put(study, a=APIARIES, c=COLONIES, pounds="Hive,Day,Weight\nC1,2024-10-05,70\n")
    summary = ingest(study)
    assert [f.name for f in summary.with_status("rejected")] == ["pounds.csv"]
    before = everything(study)
    assert [f.status for f in ingest(study).files if f.name == "pounds.csv"] == ["rejected"]
    assert everything(study) == before

    mapping = study.mappings_path / "pounds.toml"
    mapping.write_text(MAPPING.format(unit="kg"))
    ingest(study)
    assert stored(study, "weighings")["gross_kg"].to_list() == [70.0]
    (study.inbox_path / "pounds.csv").unlink()  # the archive is enough
    mapping.write_text(MAPPING.format(unit="lb"))
    summary = ingest(study)
    assert [f.name for f in summary.with_status("read again")] == ["pounds.csv"]
    assert stored(study, "weighings")["gross_kg"].to_list() == pytest.approx([31.7514659])
    assert {f.status for f in ingest(study).files} == {"unchanged"}

    mapping.write_text(MAPPING.format(unit="lb").replace('"Weight"', '"Gewicht"'))
    summary = ingest(study)
    assert [f.name for f in summary.with_status("rejected")] == ["pounds.csv"]
    assert stored(study, "weighings").height == 1  # what was loaded stays until it is mended


def test_a_wrong_mapping_stops_before_anything_is_loaded(study: Study) -> None:
    put(study, a=APIARIES)
    (study.mappings_path / "m.toml").write_text("[[table]\n")
    with pytest.raises(MappingError):
        ingest(study)
    assert not study.store_path.exists()


def test_rows_whose_colony_goes_away_with_a_mapping_are_refused_and_come_back(
    study: Study,
) -> None:
    path = study.mappings_path / "hives.toml"
    text = '[[table]]\nfiles = "hives.csv"\nunused = ["{other}"]\n[[table.record]]\n'
    text += 'record = "colonies"\n[table.record.columns]\ncolony_id = "{this}"\n'
    text += 'apiary_id = {{constant = "Hill"}}\n'
    put(study, a=APIARIES, hives="Hive,Tag\nC1,T1\n", w=HEAD + "C1,2024-10-05,31.5,scale\n")
    path.write_text(text.format(this="Hive", other="Tag"))
    ingest(study)
    assert stored(study, "weighings").height == 1
    path.write_text(text.format(this="Tag", other="Hive"))
    ingest(study)
    assert stored(study, "weighings").height == 0
    assert rejected(study) == [("w.csv", 2, "colony_id", "unknown reference")]
    counts = stored(study, "files").filter(pl.col("name") == "w.csv")
    assert counts.select("rows_read", "rows_accepted", "rows_rejected").row(0) == (1, 0, 1)
    path.write_text(text.format(this="Hive", other="Tag"))
    ingest(study)
    assert stored(study, "weighings").height == 1
    assert rejected(study) == []


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


def test_ctrl_c_leaves_the_store_before_that_file(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(study, a=APIARIES, c=COLONIES)
    ingest(study)
    before = everything(study)
    put(study, w=HEAD + "C1,2024-10-05,31.5,scale\n")

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(arrivals.Archive, "keep", stopped)  # the last act inside the transaction
        with pytest.raises(KeyboardInterrupt):
            ingest(study)
    assert everything(study) == before
    assert not study.working_path.exists()
    ingest(study)
    assert stored(study, "weighings").height == 1


def test_a_full_disk_while_copying_is_told(study: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    put(study, a=APIARIES)

    def full(*_: object) -> str:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(arrivals, "copy_and_digest", full)
        with pytest.raises(StoreError, match="disk is full"):
            ingest(study)
    assert stored(study, "files").height == 0
    ingest(study)
    assert stored(study, "apiaries").height == 1


def many_readings(rows: int) -> str:
    """Write readings of one colony a minute apart."""
    moment = pl.datetime(2024, 1, 1, time_zone="UTC") + pl.duration(minutes=pl.col("i"))
    frame = pl.select(i=pl.int_range(rows)).select(
        colony_id=pl.lit("C1"),
        logged_at=moment,
        position=pl.lit("floor"),
        temperature_c=pl.col("i").hash(1) % 4000 / 100,
        humidity_pct=pl.col("i").hash(2) % 10_000 / 100,
    )
    return frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%S%:z")


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are set the POSIX way")
@pytest.mark.parametrize("limit", [1_000_000, 6_000_000])
def test_a_full_disk_leaves_the_store_as_it_was(study: Study, limit: int) -> None:
    """The smaller limit stops the copy of the file, the larger one what comes after it."""
    put(study, a=APIARIES, c=COLONIES)
    ingest(study)
    before = everything(study)
    put(study, s=many_readings(100_000))
    said = subprocess.run(
        [sys.executable, "-c", RUN, str(study.path), str(limit)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert "The disk is full" in said.stdout, said.stderr
    assert everything(study) == before
    ingest(study)
    assert stored(study, "sensor_readings").height == 100_000


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
def test_killed_at_any_moment_the_store_is_before_or_after_a_file(study: Study) -> None:
    rows = 60_000
    put(study, a=APIARIES, c=COLONIES)
    ingest(study)
    for number in range(4):
        text = many_readings(rows).replace("C1,2024", f"C1,202{number}")
        put(study, **{f"s{number}": text})
    outcomes = set()
    for delay in (0.1, 0.4, 0.7, 1.0):
        child = subprocess.Popen(
            [sys.executable, "-c", RUN, str(study.path)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            text=True,
        )
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(delay)
        os.kill(child.pid, signal.SIGKILL)
        child.communicate()
        loaded = stored(study, "sensor_readings").height
        assert loaded % rows == 0
        noted = stored(study, "files").filter(pl.col("name").str.starts_with("s"))
        assert noted["rows_accepted"].sum() == loaded
        outcomes.add(loaded)
    ingest(study)
    assert stored(study, "sensor_readings").height == 4 * rows
    assert not study.working_path.exists()
    assert min(outcomes) < 4 * rows


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
