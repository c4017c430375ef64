"""Whatever is put into the inbox: one plain sentence and its mend, and the store as it was."""

from __future__ import annotations

import gzip
import signal
import sys
import time
import zipfile
from pathlib import Path

import pytest

from pipeline.store import Store
from pipeline.study import Study
from tests.bad_day import workbook
from tests.e2e.conftest import at_work, run_here, run_winterpool

HEAD = "colony_id,weighed_on,gross_kg,method\n"
GOOD = HEAD + "h1,2023-10-10,31.5,scale\n"
PNG = b"\x89PNG\r\n\x1a\n" + bytes(64)
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(1024)  # how an encrypted workbook begins


def _expanding_workbook(path: Path) -> None:
    workbook(HEAD.strip().split(","))(path)
    with (
        zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/worksheets/sheet9.xml", "w") as member,
    ):
        for _ in range(60):
            member.write(bytes(1_000_000))


def _write_bad_files(folder: Path) -> dict[str, str]:
    """Write each kind of bad file; return a word its sentence must hold, by file name."""
    text = {
        "empty.csv": ("", "empty"),
        "delimiter.csv": (GOOD.replace(",", "|").replace("|", "~"), "heading"),
        "headings twice.csv": ("colony_id,colony_id,gross_kg,method\n", "twice"),
        "unknown headings.csv": ("stock,colour\nx,y\n", "heading"),
    }
    for name, (content, _) in text.items():
        (folder / name).write_text(content)
    words = {name: word for name, (_, word) in text.items()}
    (folder / "encoding.csv").write_bytes(GOOD.encode() + b"h\x00\x81\xfe,2023,1,\n")
    words["encoding.csv"] = "text"
    (folder / "picture.csv").write_bytes(PNG)
    words["picture.csv"] = "PNG"
    (folder / "cut.csv.gz").write_bytes(gzip.compress(GOOD.encode() * 500)[:-40])
    words["cut.csv.gz"] = "cut off"
    (folder / "secret.xlsx").write_bytes(OLE)
    words["secret.xlsx"] = "password"
    workbook(HEAD.strip().split(","))(folder / "macros.xlsm")
    words["macros.xlsm"] = "macro"
    rows = (HEAD.strip().split(","), ["h1", "2023-10-10", 31.5, "scale"])
    workbook(*rows, merged="A2:B2")(folder / "merged.xlsx")
    words["merged.xlsx"] = "merged"
    _expanding_workbook(folder / "expands.xlsx")
    words["expands.xlsx"] = "expand"
    return words


@pytest.fixture
def study(tmp_path: Path) -> Study:
    made = Study(tmp_path / "study")
    assert run_here("new", made.path).returncode == 0
    settings = made.settings_path.read_text().replace(
        "# maximum_expanded_mb = 2000", "maximum_expanded_mb = 20"
    )
    made.settings_path.write_text(settings)
    (made.inbox_path / "apiaries.csv").write_text("apiary_id,member_id\nhome,m1\n")
    (made.inbox_path / "colonies.csv").write_text("colony_id,apiary_id\nh1,home\n")
    return made


def counts(study: Study) -> dict[str, int]:
    with Store.open(study.store_path, read_only=True) as store:
        return {
            name: store.connection.sql(f"SELECT count(*) FROM {name}_rows").fetchall()[0][0]
            for name in ("apiaries", "colonies", "weighings", "strength_inspections")
        }


def test_every_bad_file_gets_a_sentence_and_the_store_stays(study: Study) -> None:
    assert run_winterpool("ingest", study.path).returncode == 0
    before = counts(study)
    words = _write_bad_files(study.inbox_path)
    (study.inbox_path / "heading only.csv").write_text(HEAD)
    done = run_winterpool("ingest", study.path, "--quiet")
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    said = {
        name: line
        for line in done.stdout.splitlines()
        for name in words
        if line.startswith(f"inbox/{name}") and line.endswith(".")
    }
    assert set(said) == set(words)
    missing = {name: said[name] for name, word in words.items() if word not in said[name]}
    assert missing == {}
    assert all(line.rstrip().endswith(".") for line in said.values())
    assert counts(study) == before


def test_check_of_bad_files_fails_and_loads_nothing(tmp_path: Path) -> None:
    words = _write_bad_files(tmp_path)
    done = run_here("check", *(tmp_path / name for name in words if name != "expands.xlsx"))
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert all(name in done.stdout for name in words if name != "expands.xlsx")


def test_formulas_are_refused_as_names_and_inert_in_notes(study: Study) -> None:
    (study.inbox_path / "strength.csv").write_text(
        "colony_id,inspected_on,frames_of_bees,notes\n"
        "=1+1,2023-10-01,5,a formula as a name\n"
        "+h1,2023-10-01,5,a sign before a name\n"
        '@h1,2023-10-01,5,"<script>alert(1)</script>"\n'
        'h1,2023-10-01,5,"=HYPERLINK(""x"") <b>bold</b>"\n'
    )
    done = run_here("ingest", study.path, "--quiet")
    assert done.returncode == 0, done.stderr
    with Store.open(study.store_path, read_only=True) as store:
        assert store.table("strength_inspections")["notes"].to_list() == [
            '=HYPERLINK("x") <b>bold</b>'
        ]
        refused = store.connection.sql(
            'SELECT DISTINCT "row" FROM rejected_rows WHERE "column" = \'colony_id\' ORDER BY 1'
        ).fetchall()
    assert refused == [(2,), (3,), (4,)]


def test_a_mapping_that_points_outside_is_refused(study: Study) -> None:
    (study.mappings_path / "out.toml").write_text(
        '[[table]]\nfiles = "../../secret.csv"\n[[table.record]]\nrecord = "weighings"\n'
    )
    done = run_here("ingest", study.path, "--quiet")
    assert done.returncode == 6
    assert "out.toml" in done.stderr and "Traceback" not in done.stderr


def test_a_damaged_store_is_told_and_kept(study: Study) -> None:
    study.store_path.write_bytes(b"not a database" * 1000)
    for command in ("ingest", "prepare", "status", "run"):
        done = run_here(command, study.path)
        assert done.returncode == 7, (command, done.stderr)
        assert "cannot be read as a store" in done.stdout + done.stderr
    assert study.store_path.read_bytes().startswith(b"not a database")


def test_a_store_in_use_is_told(study: Study) -> None:
    assert run_here("ingest", study.path).returncode == 0
    with Store.open(study.store_path):
        done = run_here("ingest", study.path)
    assert done.returncode == 7
    assert "in use" in done.stderr or "holds" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="sends SIGINT as a terminal does")
def test_stopping_by_keyboard_leaves_the_store_as_it_was(study: Study) -> None:
    assert run_winterpool("ingest", study.path).returncode == 0
    before = counts(study)
    rows = "".join(
        f"h1,{y}-{m:02}-{d:02}T{h:02}:{n:02}:{s:02}Z,floor,10.5\n"
        for y in (2021, 2022)
        for m in range(1, 13)
        for d in range(1, 29)
        for h in range(24)
        for n in range(0, 60, 2)
        for s in (0, 30)
    )
    (study.inbox_path / "readings.csv").write_text(
        "colony_id,logged_at,position,temperature_c\n" + rows
    )
    with at_work("ingest", study.path, "loading rows") as process:
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        said = process.stderr.read() if process.stderr else ""
        assert process.wait(timeout=120) == 130, said
    assert "Stopped" in said and "Traceback" not in said
    assert counts(study) == before
    again = run_winterpool("ingest", study.path, "--quiet")
    assert again.returncode == 0
    with Store.open(study.store_path, read_only=True) as store:
        assert store.connection.sql("SELECT count(*) FROM sensor_readings").fetchall() == [
            (2 * 12 * 28 * 24 * 30 * 2,)
        ]
