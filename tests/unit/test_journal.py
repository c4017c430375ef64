"""The journal beside the archive: lines that survive being cut off, doubled or changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.journal import Journal, JournalLine
from pipeline.study import Study
from tests.inbox import APIARIES, COLONIES, everything, ingest, put

LINES = [
    JournalLine(1, "a" * 64, "Ä\udcff file\n.csv", "inbox", 10, "loaded", "2025-01-01"),
    JournalLine(2, "", "x.csv", "inbox", 0, "rejected", "", "f", "No.", "Mend it."),
]


def test_lines_come_back_as_they_were_noted(tmp_path: Path) -> None:
    Journal(tmp_path / "archive").add(*reversed(LINES))
    found = Journal(tmp_path / "archive")
    assert list(found.lines.values()) == LINES
    assert found.damaged == 0


@pytest.mark.parametrize("cut", range(1, 40, 6))
def test_a_line_cut_off_costs_only_itself(tmp_path: Path, cut: int) -> None:
    journal = Journal(tmp_path)
    journal.add(*LINES)
    whole = journal.path.read_bytes()
    journal.path.write_bytes(whole[:-cut])
    cut_off = Journal(tmp_path)
    assert (list(cut_off.lines), cut_off.damaged) == (([1, 2], 0) if cut == 1 else ([1], 1))
    cut_off.add(LINES[1])
    assert list(Journal(tmp_path).lines.values()) == LINES


def test_nothing_new_writes_nothing_and_the_last_line_of_a_number_counts(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    journal.add(*LINES)
    size = journal.path.stat().st_size
    journal.add(JournalLine(1, "a" * 64, LINES[0].name, "inbox", 10, "loaded", "2026-01-01"))
    assert journal.path.stat().st_size == size
    loaded = JournalLine(2, "b" * 64, "x.csv", "inbox", 5, "loaded", "2026-01-01")
    journal.add(loaded)
    assert Journal(tmp_path).lines[2] == loaded


def test_a_journal_with_foreign_lines_is_written_anew_from_the_store(study: Study) -> None:
    put(study, a=APIARIES, c=COLONIES)
    ingest(study)
    before, journal = everything(study), Journal(study.archive_path)
    journal.path.write_bytes(b'\x00\xff\n{"file_no": "one"}\n[]\n' + journal.path.read_bytes()[:40])
    assert Journal(study.archive_path).damaged == 4
    ingest(study)
    again = Journal(study.archive_path)
    assert again.damaged == 0
    assert [line.name for line in again.lines.values()] == ["a.csv", "c.csv"]
    assert everything(study) == before
