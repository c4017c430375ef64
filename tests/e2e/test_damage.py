"""What a laptop does to a study: a sentence each time, nothing lost, and the way out works."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest

from pipeline import archive, arrivals
from pipeline.archive import file_sha256
from pipeline.cli import main
from pipeline.errors import StudyError
from pipeline.journal import Journal
from pipeline.lock import Lock
from pipeline.store import Store
from pipeline.study import Study, new_study
from tests.inbox import APIARIES, COLONIES, HEAD, put
from tests.killing import copied, ingest, prepare, study_with_files
from tests.table_hashes import table_hashes

WRITES_RESULTS = (
    "prepare",
    "fit",
    "report",
    "report --language fr",
    "rebuild",
    "refit",
    "payoff",
    "precision",
    "assign --winter 2026 --levels none,full",
)
READS_STORE = ("status", "ingest", "prepare", "fit", "report", "receipts", "members", "publish")


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Study:
    study = study_with_files(tmp_path_factory.mktemp("damage") / "study")
    ingest(study.path)
    prepare(study.path)
    return study


@pytest.fixture
def study(loaded: Study, tmp_path: Path) -> Iterator[Study]:
    yield copied(loaded, tmp_path / "study")


@dataclass(frozen=True)
class Command:
    """The command line in this process, with what it prints."""

    monkeypatch: pytest.MonkeyPatch
    capsys: pytest.CaptureFixture[str]

    def __call__(self, *arguments: object, code: int = 0) -> str:
        """Give a command, expect an exit code, and return what was said."""
        self.monkeypatch.setattr(sys, "argv", ["winterpool", *map(str, arguments)])
        self.capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main()
        printed = self.capsys.readouterr()
        said = printed.err + printed.out
        assert (left.value.code or 0) == code, said
        return said


@pytest.fixture
def winterpool(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    return Command(monkeypatch, capsys)


def archived(study: Study, name: str) -> Path:
    sha256 = file_sha256(study.inbox_path / name)
    return study.archive_path / sha256[:2] / sha256


def test_a_sound_study_is_called_sound(winterpool: Command, study: Study) -> None:
    for extra in ((), ("--verify",)):
        said = winterpool("status", study.path, *extra)
        assert "Sound: 9 archived files are there" in said


def test_every_command_that_meets_a_cut_store_names_the_way_out(
    winterpool: Command, study: Study
) -> None:
    before = table_hashes(study)
    os.truncate(study.store_path, study.store_path.stat().st_size * 2 // 3)
    for command in READS_STORE:
        more = [study.path.with_name("bundle")] if command == "publish" else []
        said = winterpool(command, study.path, *more, code=7)
        assert f"winterpool rebuild {study.path}" in said, command
    said = winterpool("rebuild", study.path, "--quiet")
    assert "The old store is kept as" in said
    winterpool("prepare", study.path, "--quiet")
    assert table_hashes(study) == before
    winterpool("status", study.path)


def test_a_lost_store_is_told_and_rebuilt(winterpool: Command, study: Study) -> None:
    before = table_hashes(study)
    study.store_path.unlink()
    for command, code in (("status", 7), ("prepare", 3), ("receipts", 3)):
        said = winterpool(command, study.path, code=code)
        assert f"winterpool rebuild {study.path}" in said, command
    winterpool("rebuild", study.path, "--quiet")
    winterpool("prepare", study.path, "--quiet")
    assert table_hashes(study) == before


@pytest.mark.parametrize("block", [0, -1])
def test_a_changed_block_is_found_by_reading_all(
    winterpool: Command, study: Study, block: int
) -> None:
    with duckdb.connect(study.store_path, read_only=True) as connection:
        ((size, blocks),) = connection.sql(
            "SELECT block_size, total_blocks FROM pragma_database_size()"
        ).fetchall()
    with study.store_path.open("r+b") as file:
        file.seek(3 * 4096 + size * (block % blocks) + 100)
        file.write(b"\xa5" * 64)
    said = winterpool("status", study.path, "--verify", code=7)
    assert "cannot be read as a store" in said
    winterpool("rebuild", study.path, "--quiet")
    winterpool("status", study.path, "--verify")


def test_rows_that_went_missing_are_found(winterpool: Command, study: Study) -> None:
    with duckdb.connect(study.store_path) as connection:
        connection.execute("DELETE FROM sensor_readings_rows WHERE _row > 1900")
    said = winterpool("status", study.path, code=7)
    assert "sensors.csv has 1899 rows where 2000 were accepted" in said
    winterpool("rebuild", study.path, "--quiet")
    winterpool("status", study.path)


@pytest.mark.parametrize("cut", [1, 4096])
def test_a_cut_wal_costs_nothing(tmp_path: Path, cut: int) -> None:
    """A power cut takes the end of what was written last; the journal knows what that was."""
    study = study_with_files(tmp_path / "study")
    undisturbed = copied(study, tmp_path / "undisturbed")
    ingest(undisturbed.path)
    left = (
        "import os, sys; from pathlib import Path; import duckdb; from tests import killing\n"
        "from pipeline.store import Store\n"
        "Store.close = lambda store: os._exit(0)\n"
        "killing.ingest(Path(sys.argv[1]))"
    )
    subprocess.run([sys.executable, "-c", left, str(study.path)], check=True)
    wal = study.store_path.with_name("store.duckdb.wal")
    assert wal.stat().st_size > 5000
    os.truncate(wal, wal.stat().st_size - cut)
    ingest(study.path)
    assert table_hashes(study) == table_hashes(undisturbed)


def test_a_cut_archived_copy_is_told_and_mended_by_the_next_ingest(
    winterpool: Command, study: Study
) -> None:
    before, copy = table_hashes(study), archived(study, "zz_more.csv")
    size = copy.stat().st_size
    os.truncate(copy, 5)
    said = winterpool("status", study.path, code=7)
    assert f"The archived copy of inbox/zz_more.csv is not {size} bytes long any more." in said
    ingest(study.path)
    assert table_hashes(study) == before
    winterpool("status", study.path)


def test_a_changed_archived_copy_is_told_and_mended_by_a_rebuild(
    winterpool: Command, study: Study
) -> None:
    copy = archived(study, "apiaries.csv")
    copy.write_bytes(copy.read_bytes().replace(b"Hill", b"Dale"))
    said = winterpool("status", study.path, code=7)
    assert "The archived copy of inbox/apiaries.csv has been changed." in said
    said = winterpool("rebuild", study.path, "--quiet")
    assert "apiaries.csv: its archived copy was damaged and was replaced" in said
    winterpool("status", study.path)


def test_a_file_that_changes_while_it_is_read_is_left_for_the_next_ingest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = new_study(tmp_path / "study")
    put(study, a=APIARIES, b=COLONIES)
    copying = archive.copy_and_digest

    def growing(source: Path, target: Path) -> str:
        sha256 = copying(source, target)
        if source.name == "b.csv":
            with source.open("a") as file:
                file.write("C3,Hill\n")
        return sha256

    with monkeypatch.context() as patched:
        patched.setattr(archive, "copy_and_digest", growing)
        ingest(study.path)
    with Store.open(study.store_path, read_only=True) as store:
        assert store.table("files")["name"].to_list() == ["a.csv"]
    ingest(study.path)
    undisturbed = new_study(tmp_path / "undisturbed")
    put(undisturbed, a=APIARIES, b=(study.inbox_path / "b.csv").read_text())
    ingest(undisturbed.path)
    assert table_hashes(study) == table_hashes(undisturbed)


def test_a_file_that_is_still_being_written_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, winterpool: Command
) -> None:
    study = new_study(tmp_path / "study")
    put(study, a=APIARIES, b=COLONIES)
    copying = archive.copy_and_digest

    def growing(source: Path, target: Path) -> str:
        with source.open("a") as file:
            file.write("\n")
        return copying(source, target)

    monkeypatch.setattr(archive, "copy_and_digest", growing)
    said = winterpool("ingest", study.path)
    assert "b.csv changed while it was read, so nothing of it was loaded." in said
    assert "Wait until it has been copied or saved to its end" in said


def test_a_clock_set_back_is_refused_and_nothing_happens(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = table_hashes(study)
    put(study, w=HEAD + "C1,2024-12-05,30.5,scale\n")

    class Earlier(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return datetime(2020, 1, 1, tzinfo=UTC)

    with monkeypatch.context() as patched:
        patched.setattr(arrivals, "datetime", Earlier)
        with pytest.raises(StudyError, match="clock says 2020-01-01") as told:
            ingest(study.path)
    assert "winterpool rebuild" in told.value.mend
    assert table_hashes(study) == before


def test_an_hour_set_back_keeps_the_order_of_times(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A row that waits for a larger hive is tried again when that arrives, by the clock of then."""
    an_hour_ago = datetime.now(UTC) - timedelta(hours=1)

    class Earlier(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return an_hour_ago

    put(study, hive="colony_id,apiary_id,frames_max\nC1,Hill,20\n")
    with monkeypatch.context() as patched:
        patched.setattr(arrivals, "datetime", Earlier)
        ingest(study.path)
    with Store.open(study.store_path, read_only=True) as store:
        assert store.table("strength_inspections").height == 2


def reading_only(study: Study, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command as somebody whom read-only folders bind, also where root runs the tests."""
    bound = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search"]
    if os.geteuid() != 0:
        bound = []
    elif shutil.which("setpriv") is None:
        pytest.skip("root is bound by no permission, and setpriv is missing")
    return subprocess.run(
        [*bound, sys.executable, "-m", "pipeline", *arguments],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
@pytest.mark.parametrize(
    "folder", [".", "archive", pytest.param("results", marks=pytest.mark.slow)]
)
def test_read_only_folders_are_told_and_nothing_is_lost(
    winterpool: Command, study: Study, folder: str
) -> None:
    before = table_hashes(study)
    put(study, w=HEAD + "C1,2024-12-05,30.5,scale\n")
    place = study.path / folder
    place.chmod(0o555)
    for path in place.glob("??"):
        path.chmod(0o555)
    try:
        command = "prepare" if folder == "results" else "ingest"
        done = reading_only(study, command, str(study.path), "--quiet")
        assert done.returncode == 12, done.stderr
        assert "No permission to use a file or folder" in done.stderr
        assert "Traceback" not in done.stderr
        if command == "ingest":
            assert table_hashes(study) == before
    finally:
        for path in (place, *place.glob("??")):
            path.chmod(0o755)
    ingest(study.path)
    assert len(Journal(study.archive_path).lines) == 11
    winterpool("status", study.path)


@pytest.mark.parametrize(
    ("held", "commands"),
    [
        ("store.lock", ("ingest", "prepare", "rebuild")),
        ("step.lock", WRITES_RESULTS),
    ],
)
def test_the_second_of_two_commands_says_who_holds_the_study(
    winterpool: Command, study: Study, held: str, commands: tuple[str, ...]
) -> None:
    before = table_hashes(study)
    lock = Lock.take(study.path / held)
    try:
        since = json.loads(lock.path.read_text())["since"]
        for command in commands:
            verb, *more = command.split()
            said = winterpool(verb, study.path, *more, code=7)
            assert f"is in use by process {os.getpid()}" in said, command
            assert f" since {since}. Wait until that command" in said.replace("\n", " "), command
    finally:
        lock.release()
    assert table_hashes(study) == before


def test_a_reader_is_told_who_writes(winterpool: Command, study: Study) -> None:
    with Store.open(study.store_path):
        since = json.loads(study.store_path.with_suffix(".lock").read_text())["since"]
        for command in ("status", "receipts"):
            said = winterpool(command, study.path, code=7)
            assert f"is in use by process {os.getpid()}" in said
            assert f" since {since}." in said
