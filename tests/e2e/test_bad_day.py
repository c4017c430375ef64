"""A coordinator's days: all files good; every file broken in its own way; the laptop dies.

Only the command line is used, as the README tells a newcomer. Everything is invented.
"""

from __future__ import annotations

import csv
import re
import signal
import sys
import time
from pathlib import Path

import openpyxl
import pytest

from pipeline.store import Store
from pipeline.study import Study
from tests.bad_day import BROKEN, send_base
from tests.e2e.conftest import at_work, run_here, run_winterpool
from tests.killing import copied
from tests.table_hashes import table_hashes

COUNTED = re.compile(
    r"^inbox/(.+?)  +(loaded|rejected|copy) +"
    r"([\d,]+) +([\d,]+) +([\d,]+)$"
)
LEFT_BY_THE_DEAD = {".working", ".rebuilding", "store.lock", "step.lock", "store.duckdb.wal"}
BLAMES = ("invalid", "illegal", "failed", "fatal", "wrongly", "you did", "your mistake", "bad ")


def say(*arguments: object, code: int = 0, here: bool = False) -> str:
    """Give a command, expect an exit code and no traceback, and return what was said."""
    done = run_here(*arguments) if here else run_winterpool(*arguments)
    said = done.stdout + done.stderr
    assert done.returncode == code, said
    assert "Traceback" not in said
    return said


def counted(said: str) -> dict[str, tuple[str, int, int, int]]:
    """Status, rows read, accepted and rejected of each file in a table of files."""
    found = {}
    for line in said.splitlines():
        if match := COUNTED.match(line):
            name, status, *numbers = match.groups()
            read, accepted, rejected = (int(n.replace(",", "")) for n in numbers)
            found[name] = (status, read, accepted, rejected)
    return found


def run_and_die(study: Study, sign: str) -> None:
    """Give the command ``run`` and cut its power as soon as it says that it is at something."""
    with at_work("run", study.path, sign) as process:
        time.sleep(0.2)
        process.kill()
        assert process.wait() == -signal.SIGKILL


def new(path: Path) -> Study:
    say("new", path, here=True)
    return Study(path)


def test_a_good_day(tmp_path: Path) -> None:
    """Templates as they come: a CSV filled below its notes, a sheet of the workbook, either."""
    study = new(tmp_path / "our winters")
    rows = {
        "apiaries": "yard,Mona,,,,sheltered,,\n",
        "colonies": "h1,yard,,,,,,,,,,10,,,\nh2,yard,,,,,,,,,,10,,,\n",
    }
    for name, lines in rows.items():
        template = (study.templates_path / f"{name}.csv").read_bytes()
        (study.inbox_path / f"{name}.csv").write_bytes(template + lines.encode())
    book = openpyxl.load_workbook(study.templates_path / "winterpool.xlsx")
    for sheet, row in (
        ("weighings", ["h1", "2023-10-10", 31.5, "scale"]),
        ("winter_outcomes", ["h1", 2023, "2024-04-20", "alive"]),
        ("set_ups", ["h1", 2023]),
    ):
        title = next(name for name in book.sheetnames if name.casefold().replace(" ", "_") == sheet)
        for column, value in enumerate(row, start=1):
            book[title].cell(row=3, column=column, value=value)
    book.save(study.inbox_path / "Mona's book.xlsx")

    said = say("check", *sorted(study.inbox_path.iterdir()), "--study", study.path)
    assert "6 rows read, 0 would be rejected; 0 files would not be loaded." in said
    said = say("ingest", study.path, "--quiet")
    assert {name: numbers[1:] for name, numbers in counted(said).items()} == {
        "apiaries.csv": (1, 1, 0),
        "colonies.csv": (2, 2, 0),
        "Mona's book.xlsx": (3, 3, 0),
    }
    assert "Why each was rejected" not in said
    said = say("status", study.path, here=True)
    assert "Sound: 3 archived files are there" in said
    assert "Rejected" not in said


@pytest.fixture(scope="module")
def as_sent(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A study whose members all had a bad day, their files in the inbox."""
    study = new(tmp_path_factory.mktemp("bad") / "our winters")
    send_base(study)
    for one in BROKEN:
        one.send(study.inbox_path / one.name)
    return study


@pytest.fixture(scope="module")
def bad_day(as_sent: Study) -> tuple[Study, str, str]:
    """That day done, and what check and ingest said."""
    study = copied(as_sent, as_sent.path.with_name("their winters"))
    checked = say("check", *sorted(study.inbox_path.iterdir()), "--study", study.path, code=1)
    return study, checked, say("ingest", study.path, "--quiet")


def test_every_row_is_accounted_for(bad_day: tuple[Study, str, str]) -> None:
    study, _, said = bad_day
    found = counted(said)
    sent = sum(one.rows for one in BROKEN)
    accepted = rejected = held = 0
    for one in BROKEN:
        status, read, *rows = found[one.name]
        if one.accepted is None:
            assert status in ("rejected", "copy"), one.name
            held += one.rows
        else:
            assert (status, read, rows[0]) == ("loaded", one.rows, one.accepted), one.name
            accepted, rejected = accepted + rows[0], rejected + rows[1]
    assert accepted + rejected + held == sent
    with Store.open(study.store_path, read_only=True) as store:
        ((kept,),) = store.connection.sql(
            "SELECT count(DISTINCT (file_sha256, row)) FROM rejected_rows"
        ).fetchall()
    assert kept == rejected
    assert f"{rejected} rejected, {sum(one.accepted is None for one in BROKEN) - 1} files" in said


def test_each_message_says_what_happened_what_is_safe_and_what_to_do(
    bad_day: tuple[Study, str, str],
) -> None:
    study, checked, ingested = bad_day
    status = say("status", study.path, here=True)
    for one in BROKEN:
        for words in one.says:
            assert words in ingested + status, (one.name, words)
    as_checked = [one for one in BROKEN if one.name[:3] not in ("M14", "M24")]
    for one in as_checked:
        assert all(words.split("'")[0] in checked for words in one.says), (one.name, one.says)
    for said in (checked, ingested, status):
        assert not [word for word in BLAMES if word in said.lower()]
    assert "All that was accepted, now and before, is in the store." in ingested
    assert "a file that was not loaded has changed nothing" in ingested
    assert f"winterpool status {study.path}" in ingested
    assert f"winterpool receipts {study.path}" in ingested
    assert "This was a trial: nothing has been loaded." in checked


def test_the_good_rows_go_on_without_the_others(bad_day: tuple[Study, str, str]) -> None:
    study, *_ = bad_day
    assert "prepare: done" in say("prepare", study.path, "--quiet", here=True)
    say("receipts", study.path, here=True)
    with (study.path / "receipts" / "index.csv").open(encoding="utf-8-sig", newline="") as file:
        to_mend = {line["file"]: int(line["to mend"]) for line in csv.DictReader(file)}
    for one in BROKEN:
        if one.member != "M14":  # the same bytes as another's: one receipt
            assert to_mend[one.name] == (0 if one.accepted is None else one.rows - one.accepted)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
def test_the_laptop_dies_twice_and_the_next_run_goes_on(
    as_sent: Study, bad_day: tuple[Study, str, str]
) -> None:
    """Dead in the middle of loading, then of deriving; the same commands end in the same store."""
    undisturbed, *_ = bad_day
    study = copied(as_sent, as_sent.path.with_name("died"))
    for sign in ("loading rows", "deriving"):
        run_and_die(study, sign)
        assert "Sound: " in say("status", study.path, here=True)
    say("ingest", study.path, "--quiet", here=True)
    say("prepare", study.path, "--quiet", here=True)
    assert table_hashes(study) == table_hashes(undisturbed)
    assert "Sound: " in say("status", study.path, "--verify", here=True)
    assert not {path.name for path in study.path.iterdir()} & LEFT_BY_THE_DEAD


def test_doing_what_the_messages_say_mends_every_file(bad_day: tuple[Study, str, str]) -> None:
    study, *_ = bad_day
    for one in BROKEN:
        if one.says:
            one.mend(study)
    said = say("ingest", study.path, "--quiet")
    assert ", 0 rejected, 0 files not loaded," in said, said
    with Store.open(study.store_path, read_only=True) as store:
        rows = dict(
            store.connection.sql(
                "SELECT left(colony_id, 3), count(*) FROM (SELECT colony_id FROM weighings "
                "UNION ALL SELECT colony_id FROM winter_outcomes) GROUP BY ALL"
            ).fetchall()
        )
        ((pounds,),) = store.connection.sql(
            "SELECT gross_kg FROM weighings WHERE colony_id = 'M03 a'"
        ).fetchall()
    assert rows == {one.member: one.rows_mended for one in BROKEN}
    assert pounds == pytest.approx(70 * 0.45359237)
    status = say("status", study.path, here=True)
    assert "how to mend" not in status  # nothing is left to do, and status says so
    assert "are of files that have come again under the same name" in status
    assert "Sound: " in status
