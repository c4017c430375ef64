"""Receipts: every row accounted for, one file each, and what members wrote stays inert."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import pytest

from pipeline.contracts import load_contracts
from pipeline.errors import StudyError
from pipeline.languages import languages, words
from pipeline.receipt_page import MOST_SHOWN, receipt_page, safe_cell, write_receipts
from pipeline.receipts import read_receipts
from pipeline.settings import Settings, StudySettings
from pipeline.store import Store
from pipeline.study import Study, new_study
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
    written = write_receipts(study, settings or Settings())
    return {path.stem.split("-")[1]: path.read_text(encoding="utf-8") for path in written}


def lines(study: Study, name: str) -> list[dict[str, str]]:
    [path] = (study.path / "receipts").glob(f"*-{name}-csv.csv")
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_every_row_of_every_file_is_accounted_for(study: Study) -> None:
    write_receipts(study, Settings())
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
    assert "none of its headings is one of a template" in text
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
    write_receipts(study, Settings())
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
        write_receipts(new_study(tmp_path / "empty"), Settings())


def test_a_receipt_in_french_stands_beside_the_english_one(study: Study) -> None:
    pages(study)
    written = write_receipts(study, Settings(study=StudySettings(is_invented=True)), language="fr")
    names = {path.name for path in (study.path / "receipts").iterdir()}
    assert len(names) == 4 * len(written) + 1  # a page and a CSV in each language, and the list
    french = {path.name.split("-")[1]: path.read_text(encoding="utf-8") for path in written}
    first = unescape(french["first"])
    assert written[0].name.endswith(".fr.html")
    assert '<html lang="fr">' in first
    for words_told in (
        "Reçu pour first.csv",
        "Données inventées",
        "Ce que ses lignes sont devenues",
        "pesées",
        "ligne 3, masse brute (gross_kg)",
        "trop grand",
        "encore en anglais",
        "first-csv.fr.csv",
    ):
        assert words_told in first, words_told
    assert '<td class="wide" lang="en">Give a gross_kg from 5.0 to 250.0 kg' in first
    for english in ("Receipt", "row ", "too high", "Accepted", "Written"):
        assert english not in first, english
    assert "Rien n'est à corriger" in unescape(french["apiaries"])
    assert "encore en anglais" not in french["apiaries"]  # nothing is
    with (study.path / "receipts" / written[0].with_suffix(".csv").name).open(
        encoding="utf-8-sig", newline=""
    ) as file:
        assert next(csv.reader(file))[-2:] == ["ce qui ne va pas", "comment y remédier"]


def test_counts_and_days_are_written_as_the_language_does(study: Study) -> None:
    with Store.open(study.store_path, read_only=True) as store:
        receipt = read_receipts(store)[0]
    when = datetime(2024, 8, 3, 7, 5, tzinfo=UTC)
    file = receipt.file | {"ingested_at": when, "rows_read": 12345, "size_bytes": 1_234_567}
    many = replace(receipt, file=file, superseded=1200)
    english = unescape(receipt_page(many, Settings(), words("en"), "x.csv"))
    french = unescape(receipt_page(many, Settings(), words("fr"), "x.csv"))
    assert "1\u202f235 kB, read on 3 August 2024 at 07:05 UTC" in english
    assert "1\u202f235 ko, lu le 3 août 2024 à 07:05 UTC" in french
    assert "12\u202f345" in french
    assert "1\u202f200 lignes ne comptent plus" in french
    one = unescape(receipt_page(replace(many, superseded=1), Settings(), words("en"), "x.csv"))
    assert "1 row no longer counts" in one


def test_a_language_that_is_not_there_is_refused_and_nothing_written(study: Study) -> None:
    with pytest.raises(StudyError, match="no language"):
        write_receipts(study, Settings(), language="xx")
    assert not (study.path / "receipts").exists()


def test_every_rule_of_the_contracts_has_words_in_every_language() -> None:
    rules = {rule.kind for contract in load_contracts().values() for rule in contract.rules}
    assert "at_most_referenced" in rules
    for code in languages():
        told = words(code).section("rules")
        assert rules <= told.keys(), (code, rules - told.keys())
