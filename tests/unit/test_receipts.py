"""Receipts: every row accounted for, one file each, and what members wrote stays inert."""

from __future__ import annotations

import csv
import re
from html import unescape
from pathlib import Path

import pytest

from pipeline.errors import StudyError
from pipeline.receipts import MOST_SHOWN, read_receipts, safe_cell, write_receipts
from pipeline.settings import Settings, StudySettings
from pipeline.store import Store
from pipeline.study import Study, new_study
from reports.wording import RULE_WORDS
from tests.inbox import APIARIES, COLONIES, HEAD, ingest, put

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&"
FORMULA = '=HYPERLINK("http://a.test/","x")'


@pytest.fixture
def study(tmp_path: Path) -> Study:
    made = new_study(tmp_path / "study")
    put(
        made,
        apiaries=APIARIES + "Dale,M2\n",
        colonies=COLONIES + "D1,Dale\n",
        first=HEAD
        + "C1,2024-10-05,31.5,scale\n"
        + "C1,2024-10-06,480,scale\n"
        + f"C2,2024-10-06,{HOSTILE.replace(chr(34), '')},scale\n"
        + "C2,2024-10-07,30,kitchen\n",
        second=HEAD
        + 'D1,2024-10-05,33,scale\nD1,2024-10-08,"'
        + FORMULA.replace('"', '""')
        + '",scale\n',
        broken="a,b\n1,2\n",
    )
    ingest(made)
    return made


def pages(study: Study, settings: Settings | None = None) -> dict[str, str]:
    written = write_receipts(study, settings or Settings(), RULE_WORDS)
    return {path.stem.split("-")[1]: path.read_text(encoding="utf-8") for path in written}


def lines(study: Study, name: str) -> list[dict[str, str]]:
    [path] = (study.path / "receipts").glob(f"*-{name}-csv.csv")
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_every_row_of_every_file_is_accounted_for(study: Study) -> None:
    write_receipts(study, Settings(), RULE_WORDS)
    with Store.open(study.store_path, read_only=True) as store:
        receipts = read_receipts(store)
    assert {r.file["name"] for r in receipts} >= {"first.csv", "second.csv", "broken.csv"}
    for receipt in receipts:
        file = receipt.file
        total = (file["rows_accepted"] or 0) + receipt.rows_set_aside + receipt.rows_to_mend
        assert (file["rows_read"] or 0) == total, file["name"]
        rows = receipt.to_mend.select("sheet", "row").unique().height
        assert rows == receipt.rows_to_mend
    first = {row["row"] for row in lines(study, "first")}
    assert first == {"3", "4", "5"}
    assert all(row["how to mend it"] for row in lines(study, "first"))


def test_a_receipt_tells_what_was_accepted_and_how_to_mend(study: Study) -> None:
    first = pages(study)["first"]
    assert "Weighings" in first
    assert "too high" in first
    assert "Give a gross_kg from 5.0 to 250.0 kg" in first
    assert "Nothing needs mending" in pages(study)["apiaries"]


def test_a_file_that_could_not_be_read_gets_its_reason(study: Study) -> None:
    text = unescape(pages(study)["broken"])
    assert "its headings fit no record" in text
    [line] = lines(study, "broken")
    assert "template" in line["how to mend it"]


def test_what_members_wrote_stays_inert(study: Study) -> None:
    first, second = pages(study)["first"], pages(study)["second"]
    assert "<script" not in first.replace("&lt;script", "")
    assert "<img" not in first
    assert "&lt;script&gt;alert(1)" in first
    assert "default-src &#x27;none&#x27;" in first or "default-src 'none'" in first
    assert "=HYPERLINK" in second  # shown as it was written
    [line] = lines(study, "second")
    assert line["what was written"] == "'" + FORMULA


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", " =", "＝"])
def test_no_cell_begins_as_a_formula(start: str) -> None:
    # OWASP, "CSV injection": = + - @ tab and carriage return; from memory
    assert safe_cell(f"{start}1+1").startswith("'")
    assert safe_cell("31.5") == "31.5"
    assert safe_cell("x; =1+1") == "x; '=1+1"  # cells end at a semicolon in other countries
    assert safe_cell("\u2009=1") == "'\u2009=1"


def test_a_receipt_speaks_of_no_other_file(study: Study) -> None:
    shown = pages(study)
    assert "D1" not in shown["first"] and "second" not in shown["first"]
    assert "C1" not in shown["second"] and "first.csv" not in shown["second"]
    names = {path.name for path in (study.path / "receipts").iterdir()}
    assert len(names) == 2 * len(shown) + 1
    with (study.path / "receipts" / "index.csv").open(encoding="utf-8-sig", newline="") as file:
        listed = {row["file"]: row for row in csv.DictReader(file)}
    assert listed["first.csv"]["members"] == "M1"
    assert listed["second.csv"]["members"] == "M2"
    assert listed["colonies.csv"]["members"] == "M1; M2"


def test_rows_left_out_by_a_mapping_ask_for_nothing(tmp_path: Path) -> None:
    study = new_study(tmp_path / "study")
    (study.mappings_path / "log.toml").write_text(
        '[[table]]\nfiles = "log.csv"\n[[table.ignore]]\n'
        'where = {column = "What", equals = "tea"}\n'
        'reason = "not about bees"\n[[table.record]]\nrecord = "apiaries"\n'
        '[table.record.columns]\napiary_id = "Where"\nmember_id = "Who"\n'
    )
    put(study, log="What,Where,Who\nplace,Hill,M1\ntea,,\ntea,,\nplace,,M1\n")
    ingest(study)
    write_receipts(study, Settings(), RULE_WORDS)
    with Store.open(study.store_path, read_only=True) as store:
        [receipt] = read_receipts(store)
    assert (receipt.rows_set_aside, receipt.rows_to_mend) == (2, 1)
    assert receipt.set_aside["reason"].to_list() == ["Nothing to mend: not about bees."]
    assert [row["row"] for row in lines(study, "log")] == ["5"]


def test_a_long_list_is_cut_on_the_page_and_whole_in_the_csv(tmp_path: Path) -> None:
    study = new_study(tmp_path / "study")
    rows = "".join(f"C1,2024-10-05,{900 + k},scale\n" for k in range(MOST_SHOWN + 20))
    put(study, apiaries=APIARIES, colonies=COLONIES, many=HEAD + rows)
    ingest(study)
    text = pages(study)["many"]
    assert text.count('<th scope="row" class="wide">row ') == MOST_SHOWN
    assert f"The first {MOST_SHOWN} of {MOST_SHOWN + 20} lines" in text
    assert len(lines(study, "many")) == MOST_SHOWN + 20


def test_invented_data_say_so_and_an_empty_study_is_told(study: Study, tmp_path: Path) -> None:
    invented = Settings(study=StudySettings(is_invented=True))
    assert all("Invented data" in text for text in pages(study, invented).values())
    assert not any(re.search("Invented data", text) for text in pages(study).values())
    with pytest.raises(StudyError, match="Nothing has been loaded"):
        write_receipts(new_study(tmp_path / "empty"), Settings(), RULE_WORDS)
