"""Contracts against a second implementation of the standard: frictionless.

Source: Table Schema of the Data Package standard 2.0, as implemented by the ``frictionless``
library (5.21). It must call every contract valid and give the same (row, column, rule) verdicts
on a row for every constraint of every column.

Known differences, each shown below:

1. ``1e3``, ``nan`` and ``inf`` are numbers for the standard; we take plain numbers only.
2. Keys of bad rows count for frictionless, an empty or unreadable one as itself repeated; we
   compare good rows, so that a mended row need not wait for the one that spoilt it. The
   comparison leaves out a repeated key in a row that is bad for another reason.
3. True and false values are compared with their case by frictionless; we ignore case.
4. What stands under ``winterpool`` (rules on several columns, dates after today, defaults) is
   ours alone; such verdicts are left out of the comparison.
"""

from __future__ import annotations

import re
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
import yaml
from frictionless import Resource, Schema, system

from pipeline.contracts import Contract, load_contracts, load_derived_contracts
from pipeline.ingest import check_files
from pipeline.settings import Settings
from tests.strategies import Row, bad_cells, csv_text, good_row

Verdict = tuple[int, str, str]
OF_THE_STANDARD = {"required", "type", "minimum", "maximum", "enum", "pattern", "maxLength"}
ALL = {**load_contracts(), **load_derived_contracts()}


def descriptor(name: str) -> dict[str, Any]:
    folder = files("data_contracts")
    place = folder if name in load_contracts() else folder / "derived"
    text = (place / f"{name}.yaml").read_text(encoding="utf-8")
    found: dict[str, Any] = yaml.safe_load(text)
    return found


def theirs(path: Path, name: str) -> set[Verdict]:
    given = descriptor(name)
    given.pop("foreignKeys", None)  # the other tables are not at hand
    with system.use_context(trusted=True):
        resource = Resource(path=str(path), schema=Schema.from_descriptor(given))
        report = resource.validate(limit_errors=10_000)
    found = set()
    for row, column, kind, note in report.flatten(["rowNumber", "fieldName", "type", "note"]):
        rule = {"type-error": "type", "primary-key": "duplicate key"}.get(kind, kind)
        if kind == "constraint-error":
            rule = re.findall(r'constraint "(\w+)"', note)[0]
        found.add((row, column or "", rule))
    return found


def ours(path: Path) -> set[Verdict]:
    result = check_files([path], [], Settings(), date(2025, 4, 1))
    found = set()
    for problem in result.problems:
        assert problem.row is not None, problem
        if problem.rule in OF_THE_STANDARD:
            found.add((problem.row, problem.column, problem.rule))
        elif problem.rule == "duplicate key":
            found.add((problem.row, "", problem.rule))
    return found


def written(folder: Path, contract: Contract, rows: list[Row]) -> Path:
    path = folder / f"{contract.name}.csv"
    path.write_text(csv_text(rows, contract.columns), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", list(ALL))
def test_the_contract_is_valid_for_the_standard(name: str) -> None:
    report = Schema.validate_descriptor(descriptor(name))
    assert report.valid, report.flatten(["message"])


@pytest.mark.parametrize("name", list(load_contracts()))
def test_each_broken_constraint_gets_the_same_verdict(name: str, tmp_path: Path) -> None:
    contract = load_contracts()[name]
    rows = [good_row(contract, 0)]
    expected: set[Verdict] = set()
    for field in contract.fields:
        for rule, cell in bad_cells(field):
            rows.append(good_row(contract, len(rows)) | {field.name: cell})
            expected.add((len(rows) + 1, field.name, rule))
    rows.append(good_row(contract, 0))
    expected.add((len(rows) + 1, "", "duplicate key"))
    path = written(tmp_path, contract, rows)
    assert ours(path) == expected
    verdicts = theirs(path, name)
    bad = {row for row, _, rule in verdicts if rule != "duplicate key"}
    assert {v for v in verdicts if v[2] != "duplicate key" or v[0] not in bad} == expected


@pytest.mark.parametrize("cell", ["1e1", "nan"])
def test_known_difference_only_plain_numbers(cell: str, tmp_path: Path) -> None:
    contract = load_contracts()["weighings"]
    path = written(tmp_path, contract, [good_row(contract, 1) | {"gross_kg": cell}])
    assert ours(path) == {(2, "gross_kg", "type")}
    assert (2, "gross_kg", "type") not in theirs(path, "weighings")


def test_known_difference_keys_of_bad_rows(tmp_path: Path) -> None:
    contract = load_contracts()["weighings"]
    rows = [good_row(contract, 1) | {"gross_kg": "3"}, good_row(contract, 1)]
    path = written(tmp_path, contract, rows)
    assert ours(path) == {(2, "gross_kg", "minimum")}
    assert theirs(path, "weighings") == ours(path) | {(3, "", "duplicate key")}


def test_known_difference_case_of_booleans(tmp_path: Path) -> None:
    contract = load_contracts()["queens"]
    path = written(tmp_path, contract, [good_row(contract, 1) | {"is_marked": "YES"}])
    assert ours(path) == set()
    assert theirs(path, "queens") == {(2, "is_marked", "type")}


def test_an_unquoted_decimal_comma_is_told_by_both(tmp_path: Path) -> None:
    contract = load_contracts()["weighings"]
    text = csv_text([good_row(contract, 1)], contract.columns)
    text += "A-2,2023-10-05,31,5,scale,,,\n"
    path = tmp_path / "weighings.csv"
    path.write_text(text)
    (problem,) = check_files([path], [], Settings(), date(2025, 4, 1)).problems
    assert problem.row == 3
    assert any(row == 3 and rule == "extra-cell" for row, _, rule in theirs(path, "weighings"))
