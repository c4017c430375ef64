"""The phone form: valid by the standard's own converter; what a server exports is ingested."""

from __future__ import annotations

import csv
import re
from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import pytest
from pyxform.xls2xform import convert

from pipeline.contracts import load_contracts
from pipeline.errors import ContractError
from pipeline.ingest import check_files, ingest_study
from pipeline.languages import languages, words
from pipeline.mapping.form_export import form_plan
from pipeline.phone_form import FORM_RECORDS, survey_rows, write_phone_form
from pipeline.settings import Settings
from pipeline.template_workbook import example_rows

CONTRACTS = load_contracts()
TODAY = date(2025, 4, 1)
X = {"x": "http://www.w3.org/2002/xforms"}


@pytest.fixture(scope="module")
def form(tmp_path_factory: pytest.TempPathFactory) -> ElementTree.Element:
    path = tmp_path_factory.mktemp("form") / "form.xlsx"
    write_phone_form(path, CONTRACTS)
    result = convert(path)
    assert result.warnings == []
    return ElementTree.fromstring(result.xform)


def binds(form: ElementTree.Element) -> dict[str, dict[str, str]]:
    return {bind.get("nodeset", ""): dict(bind.attrib) for bind in form.iterfind(".//x:bind", X)}


def exported(separator: str = "/") -> tuple[list[str], list[dict[str, str]]]:
    """Headings and rows as a server writes them: one visit a record, and one visit of all."""
    groups = [
        f"{row['name']}{separator}{{}}"
        for row in survey_rows(CONTRACTS)
        if row["type"] == "begin_group"
    ]
    header = ["start", "end", "visit_colony", "visit_day", "visit_records"]
    for record, group in zip(FORM_RECORDS, groups, strict=True):
        header += [group.format(name) for name in CONTRACTS[record].columns]
    header += [f"meta{separator}instanceID", "_id", "_uuid", "_submission_time", "__version__"]
    rows = []
    for k, chosen in enumerate([*([record] for record in FORM_RECORDS), list(FORM_RECORDS)]):
        row = dict.fromkeys(header, "")
        row |= {"start": "2024-04-08T10:00:00.000+02:00", "end": "2024-04-08T10:04:00.000+02:00"}
        row |= {"visit_day": "2024-04-08", "visit_records": " ".join(chosen), "_uuid": f"u{k}"}
        for record in chosen:
            answers = {**example_rows()[record], "colony_id": f"Orchard {k}"}
            answers[FORM_RECORDS[record]] = "2024-04-08"
            for name, value in answers.items():
                row[f"{record}{separator}{name}"] = str(value)
        rows.append(row)
    return header, rows


def write(path: Path, header: list[str], rows: list[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, header)
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_the_form_holds_every_column_of_its_records(form: ElementTree.Element) -> None:
    nodes = set(binds(form))
    for record in FORM_RECORDS:
        for column in CONTRACTS[record].columns:
            assert f"/data/{record}/{column}" in nodes


def test_the_form_asks_in_every_language(form: ElementTree.Element) -> None:
    shown = {t.get("lang"): t for t in form.iterfind(".//x:translation", X)}
    assert set(shown) == {f"{words(c).name} ({c})" for c in languages()}
    texts = {value.text for value in shown["français (fr)"].iterfind(".//x:value", X)}
    assert {"Masse brute [kg]", "peson", "Comptages de varroas"} <= texts


def test_limits_and_rules_of_the_contracts_hold_on_the_phone(form: ElementTree.Element) -> None:
    bind = binds(form)
    assert bind["/data/weighings/gross_kg"]["constraint"] == ". >= 5.0 and . <= 250.0"
    assert "sticky board" in bind["/data/mite_counts/board_days"]["required"]
    assert "../bees_sampled" in bind["/data/mite_counts/mites_counted"]["constraint"]
    assert bind["/data/visit_day"]["constraint"] == ". <= today()"
    assert bind["/data/weighings/colony_id"]["calculate"].strip() == "/data/visit_colony"
    assert ">= 9" in bind["/data/winter_outcomes/winter"]["calculate"]  # the contract's 1 September


def test_names_that_the_phone_takes_are_names_that_ingest_takes(form: ElementTree.Element) -> None:
    found = re.search(r"'(\^.*\$)'", binds(form)["/data/visit_colony"]["constraint"])
    assert found
    phone, contract = re.compile(found[1]), CONTRACTS["weighings"].field("colony_id").pattern
    assert contract
    for code in range(32, 0x3000):
        if phone.fullmatch(chr(code)):
            assert re.fullmatch(contract, chr(code)), hex(code)
    assert phone.fullmatch("Érable 3/#2") and not phone.fullmatch("a;b")


@pytest.mark.parametrize("separator", ["/", "-", ":", "."])
def test_an_export_goes_straight_through_the_check(tmp_path: Path, separator: str) -> None:
    path = write(tmp_path / "visits.csv", *exported(separator))
    result = check_files([path], [], Settings(), TODAY)
    assert (result.problems, result.rows_read) == ((), len(FORM_RECORDS) + 1)


def test_an_export_is_loaded_into_every_record(tmp_path: Path) -> None:
    from pipeline.progress import SILENT
    from pipeline.store import Store
    from pipeline.study import new_study

    study = new_study(tmp_path / "study")
    header, rows = exported()
    (study.inbox_path / "a colonies.csv").write_text(
        "colony_id,apiary_id\n" + "".join(f"Orchard {k},Old orchard\n" for k in range(len(rows)))
    )
    (study.inbox_path / "apiaries.csv").write_text("apiary_id,member_id\nOld orchard,M-1\n")
    write(study.inbox_path / "visits.csv", header, rows)
    ingest_study(study, Settings(), SILENT, TODAY)
    with Store.open(study.store_path, read_only=True) as store:
        files = {row["name"]: row for row in store.table("files").to_dicts()}
        assert files["visits.csv"]["rows_accepted"] == len(rows)
        assert files["visits.csv"]["rows_rejected"] == 0
        for record in FORM_RECORDS:
            assert store.table(record).height == 2, record


def test_a_visit_without_any_answer_is_told(tmp_path: Path) -> None:
    header, rows = exported()
    empty = dict.fromkeys(header, "") | {"visit_day": "2024-04-08", "_uuid": "u99"}
    path = write(tmp_path / "visits.csv", header, [*rows, empty])
    [problem] = check_files([path], [], Settings(), TODAY).problems
    assert "not mapped" in str(problem)


@pytest.mark.parametrize(
    ("header", "words_of_problem"),
    [
        (["weighings/colony_id", "weighings/gross_kg", "How was it?"], "'How was it?'"),
        (["weighings/colony_id", "weighings/gross_kg"], "lacks weighings/weighed_on"),
        (["weighings/gross_kg", "weighings:gross_kg"], "both mean weighings/gross_kg"),
        (["strength_inspections/colony_id", "strength_inspections/inspected_on"], "no answers to"),
    ],
)
def test_an_export_that_does_not_fit_is_refused(header: list[str], words_of_problem: str) -> None:
    with pytest.raises(ContractError) as caught:
        form_plan(header, CONTRACTS, "visits.csv")
    assert words_of_problem in caught.value.problem
