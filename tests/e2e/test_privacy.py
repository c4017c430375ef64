"""Marks planted in every private field are in no byte of what leaves the study or is printed.

The bundle has its own test (tests/unit/publishing/test_bundle.py), and members' pages theirs
(tests/unit/test_members.py); this one is on results, on the pages of a report, and on what the
commands say while the marks go through them.
"""

from __future__ import annotations

import gzip
import io
import re
import zipfile
from pathlib import Path

import polars as pl
import pytest
import xarray as xr

from pipeline.contracts import load_contracts
from pipeline.languages import languages
from pipeline.study import Study
from reports.answer_page import write_answer
from tests.e2e.conftest import run_here
from tests.published_study import MARK, PRIVATE_NUMBERS, write_published_study
from tests.report_study import write_study

PRIVATE = "Zprivate"
PRIVATE_FIELDS = [
    (record, field.name)
    for record, contract in load_contracts().items()
    for field in contract.fields
    if field.is_private
]


def decoded(path: Path) -> bytes:
    """All bytes of a file, and what they are once unpacked."""
    content = path.read_bytes()
    parts = [content]
    if content[:2] == b"\x1f\x8b":
        parts.append(gzip.decompress(content))
    if content[:4] == b"PK\x03\x04":
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts += [archive.read(name) for name in archive.namelist()]
    if content[:4] == b"PAR1":
        parts.append(pl.read_parquet(path).write_ndjson().encode())
    if content[1:4] == b"HDF":
        with xr.open_datatree(path, engine="netcdf4") as tree:
            for group in tree.subtree:
                parts.append(repr(group.ds.to_dict(data=False)).encode())
                for value in group.ds.variables.values():
                    is_text = value.dtype.kind in "OUS"
                    parts.append(
                        repr(value.values.tolist()).encode() if is_text else value.values.tobytes()
                    )
    return b"\n".join(parts)


def test_every_private_field_is_known_here() -> None:
    """A new private field needs a mark below before it may be kept."""
    kinds = {name for _, name in PRIVATE_FIELDS}
    assert kinds == {"latitude", "longitude", "notes"}


def test_results_hold_no_private_text_no_place_and_no_name(tmp_path: Path) -> None:
    study = write_published_study(tmp_path / "study")
    marks = [MARK.encode(), *(str(n).encode() for n in PRIVATE_NUMBERS.values())]
    marks += [str(n)[:7].encode() for n in PRIVATE_NUMBERS.values()]
    files = [p for p in study.results_path.rglob("*") if p.is_file()]
    assert len(files) > 6 and any(p.suffix == ".nc" for p in files)
    for path in files:
        content = decoded(path)
        assert not [mark for mark in marks if mark in content], path.name


def test_answers_hold_no_private_text_no_place_and_no_name(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study", kind="full", members=8)
    for code in languages():
        page = decoded(write_answer(study, code))
        page = re.sub(rb"data:image/[^\"]*", b"", page)
        for mark in (b"SECRET", b"45.123", b"73.987", b"Anna Example", b"H03-1", b"A03", b"M03"):
            assert mark not in page, (code, mark)


def good_and_bad(record: str) -> str:
    """A row that is accepted and one that is not, their private cells marked."""
    day = "2024-10-05"
    cells = {
        "apiaries": "Hill,M1,48.7654321,-73.9876543,{note}\n"
        "Hi<ll,M1,98.7654321,-73.9876543,{note}\n",
        "weighings": f"C1,{day},31,scale,{{note}}\nC1,{day},9999,scale,{{note}}\n",
        "strength_inspections": f"C1,{day},7,{{note}}\nC1,{day},999,{{note}}\n",
    }[record]
    headings = {
        "apiaries": "apiary_id,member_id,latitude,longitude,notes\n",
        "weighings": "colony_id,weighed_on,gross_kg,method,notes\n",
        "strength_inspections": "colony_id,inspected_on,frames_of_bees,notes\n",
    }[record]
    return headings + cells.format(note=f"{PRIVATE} {record} anna@example.org")


@pytest.mark.parametrize("quiet", [(), ("--quiet",)])
def test_commands_say_nothing_private_of_rows_good_or_bad(
    tmp_path: Path, quiet: tuple[str, ...]
) -> None:
    study = Study(tmp_path / "study")
    assert run_here("new", study.path).returncode == 0
    (study.inbox_path / "colonies.csv").write_text("colony_id,apiary_id\nC1,Hill\n")
    for record in ("apiaries", "weighings", "strength_inspections"):
        (study.inbox_path / f"{record}.csv").write_text(good_and_bad(record))
    broken = study.inbox_path / "broken.csv"
    broken.write_text(f"a,b\n{PRIVATE},48.7654321\n")
    said = ""
    for command in (
        ("ingest", study.path, *quiet),
        ("prepare", study.path, *quiet),
        ("status", study.path),
    ):
        done = run_here(*command)
        assert done.returncode == 0, done.stderr
        said += done.stdout + done.stderr
    assert "rejected" in said
    for mark in (PRIVATE, "48.765", "73.987", "98.765", "anna@example.org"):
        assert mark not in said
    for path in study.path.rglob("*"):
        inside = path.relative_to(study.path).parts[0]
        if path.is_file() and inside not in ("inbox", "archive", "store.duckdb"):
            assert PRIVATE.encode() not in decoded(path), path
