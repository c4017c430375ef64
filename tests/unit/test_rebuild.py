"""Rebuild: the store from the archive, whatever is left of the old one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipeline.archive import file_sha256
from pipeline.errors import MappingError, StoreError
from pipeline.journal import Journal
from pipeline.progress import SILENT
from pipeline.rebuild import Rebuilt, rebuild_study
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.store_check import check_soundness
from pipeline.study import Study
from tests.inbox import TODAY, everything
from tests.killing import copied, ingest, study_with_files
from tests.table_hashes import table_hashes


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Study:
    study = study_with_files(tmp_path_factory.mktemp("rebuild") / "study")
    ingest(study.path)
    return study


@pytest.fixture
def study(loaded: Study, tmp_path: Path) -> Iterator[Study]:
    yield copied(loaded, tmp_path / "study")


def rebuild(study: Study, *, leaves_out_damaged: bool = False) -> Rebuilt:
    return rebuild_study(study, Settings(), SILENT, TODAY, leaves_out_damaged=leaves_out_damaged)


def backups(study: Study) -> list[Path]:
    return sorted(study.path.glob("store-before-*.duckdb"))


def without_numbers(study: Study) -> dict[str, object]:
    """What the store holds but for numbers of arrival; of these the order of usable files."""
    found: dict[str, object] = {}
    names = list(everything(study))
    with duckdb.connect(study.store_path, read_only=True) as connection:
        for name in names:
            frame = connection.sql(f'FROM "{name}"').pl()
            extra = [c for c in frame.columns if c.endswith(("file_no", "ingested_at"))]
            found[name] = sorted(frame.drop(extra).rows(), key=repr)
        found["order"] = connection.sql(
            "SELECT name FROM files WHERE status = 'loaded' ORDER BY file_no"
        ).fetchall()
    return found


def archived(study: Study, name: str) -> Path:
    sha256 = file_sha256(study.inbox_path / name)
    return study.archive_path / sha256[:2] / sha256


def test_the_rebuilt_store_is_the_same_and_the_old_one_is_kept(study: Study) -> None:
    before, old = everything(study), study.store_path.read_bytes()
    assert len(before["files"]) == 10
    assert len(before["rejected_rows"]) >= 2
    shutil.rmtree(study.inbox_path)
    study.inbox_path.mkdir()
    made = rebuild(study)
    assert everything(study) == before
    assert made.backup is not None
    assert backups(study) == [made.backup]
    assert made.backup.read_bytes() == old
    assert made.unnamed == made.healed == ()
    assert not study.rebuilding_path.exists()
    ingest(study.path)
    assert everything(study) == before


@pytest.mark.parametrize("share", [None, 0.0, 0.001, 0.1, 0.5, 0.9, 0.999])
def test_what_is_left_of_the_old_store_does_not_matter(study: Study, share: float | None) -> None:
    before = table_hashes(study)
    if share is None:
        study.store_path.unlink()
    else:
        os.truncate(study.store_path, int(share * study.store_path.stat().st_size))
        [damage] = check_soundness(study).damages
        assert "cannot be read" in damage.problem
        assert f"winterpool rebuild {study.path}" in damage.mend
    made = rebuild(study)
    assert table_hashes(study) == before
    assert (made.backup is None) == (share is None)


def test_an_archive_without_a_journal_is_named_by_the_old_store(study: Study) -> None:
    before = table_hashes(study)
    Journal(study.archive_path).path.unlink()
    rebuild(study)
    assert table_hashes(study) == before
    assert len(Journal(study.archive_path).lines) == 10


def test_without_journal_and_store_the_inbox_gives_names_and_copies_their_order(
    study: Study,
) -> None:
    before = without_numbers(study)
    Journal(study.archive_path).path.unlink()
    study.store_path.write_bytes(b"torn")
    made = rebuild(study)
    assert made.unnamed == ()
    ingest(study.path)  # meets the file that was never archived, as it could not be used
    assert without_numbers(study) == before


def test_a_file_whose_name_is_known_nowhere_gets_one(study: Study) -> None:
    Journal(study.archive_path).path.unlink()
    study.store_path.unlink()
    sha256 = file_sha256(study.inbox_path / "apiaries.csv")
    (study.inbox_path / "apiaries.csv").unlink()
    made = rebuild(study)
    assert made.unnamed == (f"{sha256[:12]}.csv",)
    with Store.open(study.store_path, read_only=True) as store:
        assert store.table("apiaries")["apiary_id"].to_list() == ["Hill"]


def test_a_damaged_copy_is_replaced_from_the_inbox(study: Study) -> None:
    before = table_hashes(study)
    os.truncate(archived(study, "sensors.csv"), 1000)
    archived(study, "colonies.csv").unlink()
    made = rebuild(study)
    assert set(made.healed) == {"sensors.csv", "colonies.csv"}
    assert table_hashes(study) == before
    assert file_sha256(archived(study, "sensors.csv")) == archived(study, "sensors.csv").name


def test_a_damaged_copy_that_nobody_has_stops_the_rebuild_unless_left_out(study: Study) -> None:
    before = table_hashes(study)
    copy, kept = archived(study, "sensors.csv"), study.inbox_path / "sensors.csv"
    aside = study.path.parent / "sensors.csv"
    kept.rename(aside)
    text = copy.read_bytes()
    copy.write_bytes(text.replace(b"2024-01-01T00:01", b"2024-01-01T00:02"))  # as long as before
    with pytest.raises(StoreError, match=r"sensors\.csv") as refused:
        rebuild(study)
    assert "--leave-out-damaged" in refused.value.mend
    assert table_hashes(study) == before
    assert backups(study) == []
    made = rebuild(study, leaves_out_damaged=True)
    [told] = [file for file in made.summary.files if file.name == "sensors.csv"]
    assert "is damaged" in told.problem
    with Store.open(study.store_path, read_only=True) as store:
        assert store.table("sensor_readings").is_empty()
        assert store.table("apiaries").height == 1
    aside.rename(kept)
    ingest(study.path)
    assert table_hashes(study) == before


def test_a_wrong_mapping_stops_the_rebuild_before_anything_is_touched(study: Study) -> None:
    before = study.store_path.read_bytes()
    (study.mappings_path / "m.toml").write_text("[[table]\n")
    with pytest.raises(MappingError):
        rebuild(study)
    assert study.store_path.read_bytes() == before


def test_a_file_that_no_mapping_fits_any_more_is_tried_again_by_every_ingest(study: Study) -> None:
    before = table_hashes(study)
    mapping = study.mappings_path / "pounds.toml"
    text = mapping.read_text()
    mapping.unlink()
    rebuild(study)
    (study.inbox_path / "pounds.csv").unlink()
    assert table_hashes(study) != before
    mapping.write_text(text)
    ingest(study.path)
    assert table_hashes(study) == before


def test_a_store_open_elsewhere_for_writing_is_left_alone(study: Study) -> None:
    with Store.open(study.store_path), pytest.raises(StoreError, match="in use by process"):
        rebuild(study)
    assert backups(study) == []


def test_a_store_restored_from_an_older_copy_takes_up_what_it_lacks(
    study: Study, tmp_path: Path
) -> None:
    """Also after a power cut that took the newest part of the store."""
    older = study_with_files(tmp_path / "older")
    shutil.rmtree(study.inbox_path)
    study.inbox_path.mkdir()
    before = table_hashes(study)
    shutil.copy(older.store_path, study.store_path)
    assert table_hashes(study) != before
    ingest(study.path)
    assert table_hashes(study) == before


def test_a_row_accepted_under_an_earlier_colony_stays_so(tmp_path: Path) -> None:
    """Retries belong to an ingest: eleven frames fitted when the hive was noted with twenty."""
    study = study_with_files(tmp_path / "study")
    ingest(study.path)
    for number, frames in enumerate((20, 10)):
        text = f"colony_id,apiary_id,frames_max\nC1,Hill,{frames}\n"
        (study.inbox_path / f"hive {number}.csv").write_text(text)
        ingest(study.path)
    with Store.open(study.store_path, read_only=True) as store:
        assert store.table("strength_inspections").height == 2
    before = table_hashes(study)
    rebuild(study)
    assert table_hashes(study) == before


def test_the_backup_of_a_killed_swap_is_put_in_its_place(study: Study) -> None:
    old = study.store_path.read_bytes()
    study.rebuilding_path.mkdir()
    (study.rebuilding_path / "before.duckdb").write_bytes(old)
    with duckdb.connect(study.store_path) as connection:
        connection.execute("CREATE TABLE other (a INTEGER)")
    rebuild(study)
    assert [path.read_bytes() == old for path in backups(study)].count(True) == 1
    assert len(backups(study)) == 2
