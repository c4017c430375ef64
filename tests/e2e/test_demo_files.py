"""The files of the demonstration: styles, planted faults, rows, and the comparison with truth."""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import hashlib
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from pipeline.contracts import load_contracts
from pipeline.demo import DemoSize, DemoTruth, compare_with_truth, read_truth, write_demo
from pipeline.demo.history import run_winters
from pipeline.demo.loggers import sensor_readings
from pipeline.demo.records import build_records
from pipeline.demo.weather import build_weather
from pipeline.demo.world import build_world
from pipeline.errors import StudyError
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.settings import read_settings
from pipeline.store import Store
from pipeline.study import Study

SEED = 7


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, DemoTruth]:
    folder = tmp_path_factory.mktemp("demo") / "study"
    return folder, write_demo(folder, seed=SEED, size=DemoSize.small)


def digests(folder: Path) -> dict[str, str]:
    """Digest what the demonstration writes, not what an ingest adds."""
    parts = ("inbox", "weather", "mappings", "templates")
    paths = [path for part in parts for path in (folder / part).iterdir()]
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in [*paths, folder / "study.toml", folder / "truth.json"]
        if path.suffix != ".xlsx"  # workbooks carry the time of their making
    }


def test_the_same_seed_writes_the_same_files(
    written: tuple[Path, DemoTruth], tmp_path: Path
) -> None:
    folder, truth = written
    again = write_demo(tmp_path / "again", seed=SEED, size=DemoSize.small)
    assert again == truth
    assert digests(tmp_path / "again") == digests(folder)


def test_the_study_says_that_it_is_invented(written: tuple[Path, DemoTruth]) -> None:
    folder, truth = written
    settings = read_settings(folder / "study.toml")
    assert settings.study.is_invented
    assert "invented" in settings.study.name
    assert settings.study.currency == "XTS"  # ISO 4217 keeps it for tests
    assert "invented" in (folder / "INVENTED.txt").read_text(encoding="utf-8")
    assert "invented" in truth.note


def test_truth_survives_writing(written: tuple[Path, DemoTruth]) -> None:
    folder, truth = written
    assert read_truth(folder / "truth.json") == truth


def test_at_least_four_own_styles_are_there(written: tuple[Path, DemoTruth]) -> None:
    inbox = written[0] / "inbox"
    contracts = load_contracts()
    with (inbox / "lower-valley_weighings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == [field.name for field in contracts["weighings"].fields]
    assert rows[1][0].startswith("# units:")
    pounds = pl.read_csv(next(inbox.glob("M?? weights.csv")))
    assert 60 < pounds["Gross lb"].median() < 160  # 52 kg are 115 lb
    assert pounds["Date"].str.contains(r"^\d\d/\d\d/20\d\d$").all()
    text = next(inbox.glob("M?? vagter.csv")).read_bytes()
    with pytest.raises(UnicodeDecodeError):
        text.decode("utf-8")
    assert b";" in text
    assert "Dåg" in text.decode("latin-1")
    assert len(list(inbox.glob("M?? hive book.xlsx"))) >= 1
    log = pl.read_csv(next(inbox.glob("M?? log.csv")), infer_schema=False)
    assert {"weight", "bees", "feed", "wrapped", "spring"} <= set(log["What"])
    packed = next(inbox.glob("M?? loggbok.csv.gz")).read_bytes()
    assert gzip.decompress(packed).decode("latin-1").count("\n") > 5000


def test_the_workbook_holds_dates_not_texts(written: tuple[Path, DemoTruth]) -> None:
    path = next((written[0] / "inbox").glob("M?? hive book.xlsx"))
    weights = pl.read_excel(path, sheet_name="Weights", engine="calamine")
    assert weights.schema["Date"] == pl.Date
    assert weights.height > 5


def test_every_planted_fault_stands_where_the_truth_says(
    written: tuple[Path, DemoTruth],
) -> None:
    folder, truth = written
    assert len(truth.faults) >= 13
    for fault in truth.faults:
        text = (folder / "inbox" / fault.file).read_bytes()
        encoding = "latin-1" if "vagter" in fault.file else "utf-8"
        line = text.decode(encoding).split("\n")[fault.row - 1]
        assert fault.value in line, fault
    kinds = {fault.kind for fault in truth.faults if fault.expected == "rejected"}
    assert len(kinds) >= 9


def test_the_correction_holds_the_same_keys_and_comes_later_by_name(
    written: tuple[Path, DemoTruth],
) -> None:
    folder, truth = written
    wrong = [fault for fault in truth.faults if fault.expected == "superseded"]
    assert len(wrong) == 3
    corrected = pl.read_csv(folder / "inbox/lower-valley_weighings_corrected.csv")
    assert {f.key["colony_id"] for f in wrong} == set(corrected["colony_id"])
    for fault in wrong:
        right = corrected.filter(
            (pl.col("colony_id") == fault.key["colony_id"])
            & (pl.col("weighed_on") == fault.key["weighed_on"])
        )
        assert right["gross_kg"].item() == pytest.approx(float(fault.value) + 20)
        assert fault.file < "lower-valley_weighings_corrected.csv"


def test_rows_sent_are_counted(written: tuple[Path, DemoTruth]) -> None:
    folder, truth = written
    inbox = folder / "inbox"
    in_templates = sum(
        len(path.read_text(encoding="utf-8").splitlines())
        - (2 if path.name.startswith("lower") and "corrected" not in path.name else 1)
        for path in inbox.glob("*_weighings*.csv")
    )
    pounds = sum(pl.read_csv(p).height for p in inbox.glob("M?? weights.csv"))
    semicolons = sum(
        len(p.read_text(encoding="latin-1").splitlines()) - 1 for p in inbox.glob("M?? vagter.csv")
    )
    books = sum(
        pl.read_excel(p, sheet_name="Weights").height for p in inbox.glob("M?? hive book.xlsx")
    )
    logs = sum(
        pl.read_csv(p, infer_schema=False).filter(pl.col("What") == "weight").height
        for p in inbox.glob("M?? log.csv")
    )
    assert truth.rows_sent["weighings"] == in_templates + pounds + semicolons + books + logs


def test_a_folder_in_use_is_refused(written: tuple[Path, DemoTruth]) -> None:
    with pytest.raises(StudyError):
        write_demo(written[0], seed=SEED, size=DemoSize.small)


def test_comparison_needs_estimates_and_then_covers_or_not(
    written: tuple[Path, DemoTruth], tmp_path: Path
) -> None:
    folder, truth = written
    with pytest.raises(StudyError):
        compare_with_truth(tmp_path)
    (tmp_path / "truth.json").write_bytes((folder / "truth.json").read_bytes())
    with pytest.raises(StudyError):
        compare_with_truth(tmp_path)
    saved = truth.effect("stores use", "full vs none")
    head = "outcome,contrast,measure,subgroup,horizon,mean,q2.5,q97.5,status\n"
    rows = [
        f"stores use,full vs none,difference,all,these winters,{saved},{saved - 1},{saved + 1},ok",
        "survival,full vs none,difference,all,these winters,-5,-6,-4,estimated",
        "survival,top vs none,difference,all,these winters,,,,cannot be estimated",
        "spring strength,full vs none,difference,all,a new winter,1,0,2,estimated",
    ]
    (tmp_path / "results").mkdir()
    (tmp_path / "results/estimands.csv").write_text(head + "\n".join(rows), encoding="utf-8")
    found = {(r.outcome, r.contrast, r.measure): r for r in compare_with_truth(tmp_path)}
    assert len(found) == len(truth.effects)
    assert found["stores use", "full vs none", "difference"].is_covered is True
    assert found["survival", "full vs none", "difference"].is_covered is False
    nothing = found["survival", "top vs none", "difference"]
    assert (nothing.estimate, nothing.is_covered) == (None, None)
    assert nothing.status == "cannot be estimated"
    assert found["spring strength", "full vs none", "difference"].status == "not asked"


@pytest.fixture(scope="module")
def ingested(written: tuple[Path, DemoTruth]) -> Iterator[tuple[DemoTruth, Store]]:
    folder, truth = written
    study = Study(folder)
    summary = ingest_study(study, read_settings(study.settings_path), SILENT, dt.date(2026, 1, 1))
    assert {file.status for file in summary.files} == {"loaded"}
    with Store.open(study.store_path, read_only=True) as store:
        yield truth, store


def test_every_row_sent_is_accepted_or_rejected(
    ingested: tuple[DemoTruth, Store],
) -> None:
    truth, store = ingested
    for record, sent in truth.rows_sent.items():
        accepted = store.connection.execute(f"SELECT count(*) FROM {record}_rows").fetchall()[0][0]
        rejected = store.connection.execute(
            "SELECT count(DISTINCT (file_name, sheet, row)) FROM rejected_rows WHERE record = ?",
            [record],
        ).fetchall()[0][0]
        assert accepted + rejected == sent, record


def test_only_the_planted_rows_are_rejected_and_each_for_its_own_fault(
    ingested: tuple[DemoTruth, Store],
) -> None:
    truth, store = ingested
    found = {
        (file, row, record): (column, value)
        for file, row, record, column, value in store.connection.execute(
            "SELECT file_name, row, record, \"column\", value FROM rejected_rows WHERE record <> ''"
        ).fetchall()
    }
    planted = [fault for fault in truth.faults if fault.expected == "rejected"]
    assert set(found) == {(fault.file, fault.row, fault.record) for fault in planted}
    for fault in planted:
        column, value = found[fault.file, fault.row, fault.record]
        assert fault.column in column
        assert fault.value in value


def test_only_the_misread_weighings_are_superseded(ingested: tuple[DemoTruth, Store]) -> None:
    truth, store = ingested
    found = store.connection.execute(
        "SELECT name, _row, gross_kg FROM weighings_rows JOIN files ON _file_no = file_no "
        "WHERE _is_superseded"
    ).fetchall()
    assert {(name, row, f"{gross:.1f}") for name, row, gross in found} == {
        (fault.file, fault.row, fault.value)
        for fault in truth.faults
        if fault.expected == "superseded"
    }


def test_members_units_and_clocks_arrive_in_ours(
    written: tuple[Path, DemoTruth], ingested: tuple[DemoTruth, Store]
) -> None:
    # The same world without files is the reference: what was written down equals what is stored.
    world, weather = (f(DemoSize.small.extent, SEED) for f in (build_world, build_weather))
    winters = run_winters(world, weather)
    records, store = build_records(world, winters), ingested[1]
    for record, column, tolerance in (
        ("weighings", "gross_kg", 0.03),  # written to 0.1 lb
        ("colonies", "inner_height_mm", 0.02),  # written to 0.001 in
        ("set_up_layers", "thickness_mm", 0.02),
        ("feedings", "mass_kg", 0.03),
    ):
        key = list(load_contracts()[record].key)
        both = (
            records[record]
            .select(*key, column)
            .join(store.table(record).select(*key, pl.col(column).alias("stored")), on=key)
        )
        assert both.height == records[record].height
        assert (both[column] - both["stored"]).abs().max() <= tolerance, record
    for _, made in sensor_readings(world, weather, winters):
        both = made.with_columns(pl.col("logged_at").dt.replace_time_zone("UTC")).join(
            store.table("sensor_readings").with_columns(
                pl.col("logged_at").dt.cast_time_unit("ms")
            ),
            on=["colony_id", "logged_at", "position"],
            suffix="_stored",
        )
        assert both.height == made.height
        assert (both["temperature_c"] - both["temperature_c_stored"]).abs().max() < 0.03
