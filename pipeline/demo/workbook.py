"""One workbook with a sheet a record."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from pipeline.demo.styles import Records
from pipeline.workbook_file import new_workbook

WORKBOOK_SHEETS: dict[str, tuple[str, dict[str, str]]] = {
    "colonies": ("Hives", {"colony_id": "Colony", "apiary_id": "Place"}),
    "queens": ("Queens", {"colony_id": "Colony", "introduced_on": "Since", "is_marked": "Marked"}),
    "set_ups": ("Winter set-ups", {"colony_id": "Colony", "winter": "Winter starting"}),
    "set_up_layers": ("Layers", {"colony_id": "Colony", "winter": "Winter starting"}),
    "strength_inspections": ("Strength", {"colony_id": "Colony", "inspected_on": "Date"}),
    "mite_counts": ("Mites", {"colony_id": "Colony", "sampled_on": "Date"}),
    "treatments": ("Treatments", {"colony_id": "Colony", "applied_on": "Date"}),
    "feedings": ("Feed", {"colony_id": "Colony", "fed_on": "Date"}),
    "weighings": ("Weights", {"colony_id": "Colony", "weighed_on": "Date"}),
    "winter_outcomes": ("Spring", {"colony_id": "Colony", "winter": "Winter starting"}),
}
"""Sheet of each record and the headings that differ from plain words of our columns."""


def workbook_heading(column: str, own: dict[str, str]) -> str:
    """Return a workbook's heading for a column: the member's word, or ours in plain letters."""
    return own.get(column, column.replace("_", " ").capitalize())


def write_workbook(inbox: Path, member: str, records: Records) -> Counter[str]:
    """Write one member's workbook: a sheet a record with real date cells, and a diary."""
    sent: Counter[str] = Counter()
    with new_workbook(inbox / f"{member} hive book.xlsx") as book:
        for record, (sheet, own) in WORKBOOK_SHEETS.items():
            frame = records[record]
            named = frame.rename({c: workbook_heading(c, own) for c in frame.columns})
            named.write_excel(book, worksheet=sheet, autofit=False, table_name=None)
            sent[record] += frame.height
        diary = book.add_worksheet("Diary")
        diary.write_row(0, 0, ["When", "What happened (all invented)"])
        diary.write_row(1, 0, ["autumn", "wasps at the lower stand, entrances narrowed"])
        diary.write_row(2, 0, ["spring", "willow early this year"])
    return sent
