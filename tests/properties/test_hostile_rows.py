"""Rows of every record with cells nobody should write: each row accepted or rejected, none lost."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.contracts import Contract, Field, load_contracts
from pipeline.ingest import ingest_study
from pipeline.progress import SILENT
from pipeline.receipt_page import write_receipts
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study
from tests.strategies import Row, bad_cells, cells, csv_text, good_cell, good_row

CONTRACTS = load_contracts()
LONG: dict[str, Any] = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.data_too_large],
}
NASTY = (
    "'; DROP TABLE files; --", "<script>alert(1)</script>", "=cmd|' /C calc'!A0", "\u202eabc",
    "a\x01b", "9" * 400, "-" * 70, "1e400", "-1e-400", "0x1F", "١٢", "３",
    "9223372036854775808", "-9223372036854775809", "00", "-0", "+1", "1_000", "1 000", "1\u202f000",
    "9999-12-31", "0001-01-01", "10000-01-01", "2023-02-30", "0000-00-00", "2023-10-05T24:00:00Z",
    "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "2023-10-05T07:00:60+00:00",
    "2023-10-05T07:00:00+99:99", "NaN", "-inf", "TRUE", "nul", "\t", "\x1e", "\x85", "a\nb",
    "a\r\nb", '"', '""', '"a"b', "a;b", "a,b", "\\", "{}", "%s", "../../etc/passwd", "\ufeff",
    "é" * 64, "é" * 65, "\U0001f41d", "x" * 40_000,
)  # fmt: skip


def nasty_cell(field: Field) -> st.SearchStrategy[str | None]:
    """A cell that tries a column: odd texts, broken rules, random characters."""
    broken = [cell for _, cell in bad_cells(field)]
    text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
    return st.one_of(cells(field), st.sampled_from(NASTY), text, st.sampled_from([None, *broken]))


def nasty_rows(contract: Contract) -> st.SearchStrategy[list[Row]]:
    """Rows of which up to three cells are nasty, and rows that are nasty throughout."""
    whole = st.fixed_dictionaries({f.name: nasty_cell(f) for f in contract.fields})
    some = st.lists(st.sampled_from(contract.fields), max_size=3, unique_by=lambda f: f.name)
    part = some.flatmap(
        lambda fields: st.fixed_dictionaries({f.name: nasty_cell(f) for f in fields})
    )
    mixed = st.builds(
        lambda number, changed: good_row(contract, number) | changed, st.integers(1, 3), part
    )
    return st.lists(mixed | whole, min_size=1, max_size=8)


def put_references(study: Study, contract: Contract) -> None:
    """Good rows of every record that the contract refers to, and that those refer to."""
    for reference in contract.references:
        target = CONTRACTS[reference.record]
        put_references(study, target)
        rows = [good_row(target, number) for number in (1, 2, 3)]
        if target is not contract:
            path = study.inbox_path / f"{target.name}.csv"
            path.write_text(csv_text(rows, target.columns), encoding="utf-8")


def is_blank(row: Row) -> bool:
    """Whether no cell of a row holds more than blanks, as a reader strips them."""
    return not any((cell or "").strip() for cell in row.values())


@settings(max_examples=5, **LONG)
@given(record=st.sampled_from(list(CONTRACTS)), data=st.data())
def test_every_row_of_some_record_is_accounted_for(record: str, data: st.DataObject) -> None:
    account(record, data)


@pytest.mark.slow
@pytest.mark.parametrize("record", CONTRACTS)
@settings(max_examples=40, **LONG)
@given(data=st.data())
def test_every_row_of_each_record_is_accounted_for(record: str, data: st.DataObject) -> None:
    account(record, data)


def account(record: str, data: st.DataObject) -> None:
    """Ingest drawn rows and count what became of each."""
    contract = CONTRACTS[record]
    rows = data.draw(nasty_rows(contract))
    with tempfile.TemporaryDirectory() as folder:
        study = Study(Path(folder))
        for place in (study.inbox_path, study.weather_path, study.mappings_path):
            place.mkdir()
        put_references(study, contract)
        path = study.inbox_path / f"0 {record}.csv"
        path.write_bytes(csv_text(rows, contract.columns).encode())
        summary = ingest_study(study, Settings(), SILENT, date(2025, 4, 1))
        (file,) = [f for f in summary.files if f.name == path.name]
        assert file.status == "loaded" or (file.problem and file.mend), file
        assert file.rows_read == file.rows_accepted + file.rows_rejected
        if file.status != "loaded":
            return
        assert file.rows_read >= sum(not is_blank(row) for row in rows)
        assert file.rows_read <= len(rows)
        with Store.open(study.store_path, read_only=True) as store:
            lines = store.table("rejected_rows").filter(file_name=path.name)
            kept = store.connection.sql(
                f'SELECT count(*) FROM "{record}_rows" WHERE _file_no = '
                f"(SELECT file_no FROM files WHERE name = '{path.name}')"
            ).fetchall()[0][0]
        assert kept == file.rows_accepted
        assert lines["row"].n_unique() == file.rows_rejected
        assert lines["mend"].null_count() == 0
        assert write_receipts(study, Settings())


def test_the_cells_are_nasty_for_every_kind_of_column() -> None:
    kinds = {field.type for contract in CONTRACTS.values() for field in contract.fields}
    assert kinds == {"string", "integer", "number", "boolean", "date", "datetime"}
    assert all(good_cell(f, 1) not in NASTY for c in CONTRACTS.values() for f in c.fields)
