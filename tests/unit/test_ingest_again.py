"""Ingest again: what waited for another row, a day or a mapping is read from the archive."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline import arrivals, opening
from pipeline.errors import MappingError
from pipeline.study import Study, new_study
from tests import killing
from tests.inbox import APIARIES, COLONIES, HEAD, everything, ingest, put, rejected, stored


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


def test_changed_code_of_reading_reads_every_file_again(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(study, a=APIARIES, c=COLONIES, w=HEAD + "C1,2024-10-05,31.5,scale\n")
    ingest(study)
    before = everything(study)
    assert {f.status for f in ingest(study).files} == {"unchanged"}
    monkeypatch.setattr(opening, "source_digest", lambda *_: "another version")
    assert [f.status for f in ingest(study).files] == ["read again"] * 3
    after = everything(study)
    assert [row[-1] for row in after.pop("files")] != [row[-1] for row in before.pop("files")]
    assert after == before
    assert {f.status for f in ingest(study).files} == {"unchanged"}


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


@pytest.mark.parametrize("most", [1, 2, 3])
def test_files_loaded_together_are_as_if_loaded_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    """Good, bad, waiting, mapped, unreadable and superseding files, in transactions of any size."""
    found = []
    for name in ("together", "apart"):
        study = new_study(tmp_path / name)
        killing.fill(study, readings=50)
        stations = "station_id,name,elevation_m\nS1,Hill top,300\n"
        put(
            study,
            stations=stations,
            later=HEAD + "C9,2024-12-05,30,scale\nC1,2024-10-05,33,scale\n",
        )
        ingest(study)
        put(study, y_late="colony_id,apiary_id,frames_max\nC9,Hill,20\nC1,Hill,12\n")
        ingest(study)
        found.append(everything(study))
        monkeypatch.setattr(arrivals, "_MOST_TOGETHER", most)
    assert found[0] == found[1]
