"""Files as members really send them, each broken in its own way, and mended as the message says.

Everything here is invented. Every member has one apiary and two colonies, ``M07 a`` and ``M07 b``.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import openpyxl

from pipeline.study import Study

WEIGHINGS = "colony_id,weighed_on,gross_kg,method\n"
OUTCOMES = "colony_id,winter,checked_on,state\n"
GERMAN = """
[[table]]
files = "M01*.csv"
[[table.record]]
record = "weighings"
[table.record.columns]
colony_id = {from = "Volk"}
weighed_on = {from = "Datum", format = "%d.%m.%Y"}
gross_kg = {from = "Gewicht"}
method = {from = "Waage", recode = {"Plattform" = "scale"}}
"""
POUNDS = """
[[table]]
files = "M03*.csv"
[[table.record]]
record = "weighings"
[table.record.columns]
colony_id = "colony_id"
weighed_on = "weighed_on"
gross_kg = {from = "gross_kg [lb]", unit = "lb"}
method = "method"
"""


@dataclass(frozen=True)
class Broken:
    """One member's file.

    Attributes
    ----------
    name : str
        Its name in the inbox; begins with the member's.
    send : callable
        Writes it at a path.
    rows : int
        The rows that the member sent.
    accepted : int or None
        Rows accepted at once; None where the file as a whole is not loaded.
    says : tuple of str
        What the message must hold: what is wrong, and what to do.
    mend : callable
        Does what the message says, in a study.
    rows_mended : int
        The rows accepted then.
    """

    name: str
    send: Callable[[Path], None]
    rows: int
    accepted: int | None
    says: tuple[str, ...]
    mend: Callable[[Study], None]
    rows_mended: int

    @property
    def member(self) -> str:
        """Whose file it is."""
        return self.name[:3]


def good(member: str, day: str = "2024-10-05") -> str:
    """Two weighings as they should be."""
    return f"{WEIGHINGS}{member} a,{day},31.5,scale\n{member} b,{day},30.25,scale\n"


def text(content: str, encoding: str = "utf-8") -> Callable[[Path], None]:
    """Write a text file."""
    return lambda path: path.write_bytes(content.encode(encoding)) and None


def workbook(*rows: list[object], merged: str = "", lost: int = 0) -> Callable[[Path], None]:
    """Write a workbook of one sheet; its last bytes may be lost on the way."""

    def write(path: Path) -> None:
        book = openpyxl.Workbook()
        sheet = book.active
        sheet.title = "weighings"
        for row in rows:
            sheet.append(row)
        if merged:
            sheet.merge_cells(merged)
        book.save(path)
        if lost:
            path.write_bytes(path.read_bytes()[:-lost])

    return write


def zipped(path: Path) -> None:
    """Write a zip archive with a good table in it."""
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("weighings.csv", good(path.name[:3]))


def _sent_anew(name: str, write: Callable[[Path], None]) -> Callable[[Study], None]:
    """Put a mended file in the old one's place, under the same name."""
    return lambda study: write(study.inbox_path / name)


def _sent_instead(old: str, new: str, write: Callable[[Path], None]) -> Callable[[Study], None]:
    """Take a file away and put another kind of file in."""

    def do(study: Study) -> None:
        (study.inbox_path / old).unlink()
        write(study.inbox_path / new)

    return do


def _sent_besides(name: str, content: str) -> Callable[[Study], None]:
    return lambda study: text(content)(study.inbox_path / name)


def _mapped(name: str, content: str) -> Callable[[Study], None]:
    """Write a mapping; the file itself stays as it was sent."""
    return lambda study: text(content)(study.mappings_path / name)


def _broken(
    name: str,
    send: Callable[[Path], None],
    rows: int,
    accepted: int | None,
    *says: str,
    mend: Callable[[Study], None] | None = None,
    mended: int = 2,
) -> Broken:
    mend = mend or _sent_anew(name, text(good(name[:3])))
    return Broken(name, send, rows, accepted, says, mend, mended)


_SHEET = WEIGHINGS.strip().split(",")
BROKEN = (
    _broken(
        "M01 german.csv",
        text(
            "Volk;Datum;Gewicht;Waage\nM01 a;05.10.2024;31,5;Plattform\n"
            "M01 b;05.10.2024;30,25;Plattform\n"
        ),
        2,
        None,
        "none of its headings is one of a template: 'Volk', 'Datum', 'Gewicht', 'Waage'.",
        "write a mapping",
        mend=_mapped("german.toml", GERMAN),
    ),
    _broken(
        "M02 no key.csv",
        text("weighed_on,gross_kg,method\n2024-10-05,31.5,scale\n2024-10-05,30.25,scale\n"),
        2,
        None,
        "nearest is weighings: missing colony_id.",
        "Add and fill in colony_id",
    ),
    _broken(
        "M03 pounds.csv",
        text("colony_id,weighed_on,gross_kg [lb],method\nM03 a,2024-10-05,70,scale\n"),
        1,
        None,
        "'gross_kg [lb]' is not said to be in kg",
        "convert the values",
        mend=_mapped("pounds.toml", POUNDS),
        mended=1,
    ),
    _broken(
        "M04 grams.csv",
        text(good("M04").replace("31.5", "31500")),
        2,
        1,
        "Give a gross_kg from 5.0 to 250.0 kg; check the value and its unit.",
    ),
    _broken(
        "M05 two date orders.csv",
        text(good("M05").replace("a,2024-10-05", "a,05/10/2024").replace("2024-10-05", "10/05/24")),
        2,
        0,
        "Write weighed_on as year-month-day, like 2024-10-05",
    ),
    _broken(
        "M06 twice.csv",
        text(good("M06") + "M06 a,2024-10-05,33,scale\n"),
        3,
        2,
        "Keep one row only: row 2 has the same colony_id, weighed_on.",
    ),
    _broken("M07 empty.csv", text(""), 0, None, "is empty.", "Export it again"),
    _broken(
        "M08 protected.xlsx",
        lambda path: path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(900)) and None,
        2,
        None,
        "protected by a password",
        "Remove the password and save it as .xlsx.",
        mend=_sent_anew(
            "M08 protected.xlsx", workbook(_SHEET, ["M08 a", "2024-10-05", 31.5, "scale"])
        ),
        mended=1,
    ),
    _broken(
        "M09 cut.xlsx",
        workbook(_SHEET, ["M09 a", "2024-10-05", 31.5, "scale"], lost=500),
        1,
        None,
        "is a damaged workbook.",
        "Send it again",
        mend=_sent_anew("M09 cut.xlsx", workbook(_SHEET, ["M09 a", "2024-10-05", 31.5, "scale"])),
        mended=1,
    ),
    _broken(
        "M10 photo.csv",
        lambda path: path.write_bytes(b"\xff\xd8\xff\xe0" + bytes(300)) and None,
        0,
        None,
        "is a picture (JPEG), not what its name says.",
        "Send the table itself",
    ),
    _broken(
        "M11 letter.pdf",
        text("%PDF-1.4 of the weights"),
        0,
        None,
        "is of a kind that is not read.",
        "saved as .xlsx or .csv",
        mend=_sent_instead("M11 letter.pdf", "M11 letter.csv", text(good("M11"))),
    ),
    _broken(
        "M12 negative.csv",
        text(good("M12").replace("31.5", "-31.5")),
        2,
        1,
        "Give a gross_kg from 5.0 to 250.0 kg",
    ),
    _broken(
        "M13 no hive.csv",
        text(good("M13") + "M13 c,2024-10-05,28,scale\n"),
        3,
        2,
        "send the row of colonies it speaks of; this row is then tried again by itself",
        mend=_sent_besides("M13 more colonies.csv", "colony_id,apiary_id\nM13 c,M13 yard\n"),
        mended=3,
    ),
    _broken(
        "M14 of another.csv",
        text(good("M12").replace("31.5", "-31.5")),
        2,
        None,
        "holds exactly what inbox/M12 negative.csv holds, so its rows count once.",
        "ask its sender for the right file",
    ),
    _broken(
        "M15 merged.xlsx",
        workbook(
            _SHEET,
            ["M15 a", "2024-10-05", 31.5, "scale"],
            [None, "2024-11-05", 30.5, "scale"],
            merged="A2:A3",
        ),
        2,
        None,
        "has merged cells: A2:A3.",
        "write the value into every cell",
        mend=_sent_anew(
            "M15 merged.xlsx",
            workbook(
                _SHEET,
                ["M15 a", "2024-10-05", 31.5, "scale"],
                ["M15 a", "2024-11-05", 30.5, "scale"],
            ),
        ),
    ),
    _broken(
        "M16 title.xlsx",
        workbook(["Our weights of 2024"], [], _SHEET, ["M16 a", "2024-10-05", 31.5, "scale"]),
        1,
        None,
        "none of its headings is one of a template: 'Our weights of 2024'.",
        "take away any title above them",
        mend=_sent_anew("M16 title.xlsx", workbook(_SHEET, ["M16 a", "2024-10-05", 31.5, "scale"])),
        mended=1,
    ),
    _broken(
        "M17 comma in a note.csv",
        text(
            f"{WEIGHINGS.strip()},notes\nM17 a,2024-10-05,31.5,scale,calm, dry\n"
            "M17 b,2024-10-05,30.25,scale,\n"
        ),
        2,
        1,
        "6 fields where the heading has 5",
        "put cells that hold a comma in quotes",
        mend=_sent_anew(
            "M17 comma in a note.csv",
            text(
                f'{WEIGHINGS.strip()},notes\nM17 a,2024-10-05,31.5,scale,"calm, dry"\n'
                "M17 b,2024-10-05,30.25,scale,\n"
            ),
        ),
    ),
    _broken(
        "M18 winters.csv",
        text(f"{OUTCOMES}M18 a,2023/24,2024-04-15,alive\nM18 b,2024,2024-04-15,dead\n"),
        2,
        0,
        "Write winter as the year in which it starts: 2023.",
        "a winter is named by the year it starts",
        mend=_sent_anew(
            "M18 winters.csv",
            text(f"{OUTCOMES}M18 a,2023,2024-04-15,alive\nM18 b,2023,2024-04-15,dead\n"),
        ),
    ),
    _broken(
        "M19 day numbers.csv",
        text(good("M19").replace("2024-10-05", "45570")),
        2,
        0,
        "45570 is a spreadsheet's own number for a day: give the column a date format",
    ),
    _broken(
        "M20 packed.zip",
        zipped,
        2,
        None,
        "is of a kind that is not read.",
        "Unpack it",
        mend=_sent_instead("M20 packed.zip", "M20 weighings.csv", text(good("M20"))),
    ),
    _broken(
        "M21 cut off.csv",
        text(good("M21").removesuffix("-05,30.25,scale\n")),
        2,
        1,
        "2 fields where the heading has 4",
        "If the file ends here, it was cut off: send it again.",
    ),
    _broken(
        "M22 open quote.csv",
        text(good("M22").replace("30.25,scale", '30.25,"scale')),
        2,
        None,
        "a quotation mark opened in row 3 or later is never closed.",
        "Close the quotation mark",
    ),
    _broken(
        "M23 book.csv",
        workbook(_SHEET, ["M23 a", "2024-10-05", 31.5, "scale"]),
        1,
        None,
        "is a workbook or a zip archive, not what its name says.",
        "named by what it is",
        mend=lambda study: (
            (study.inbox_path / "M23 book.csv").rename(study.inbox_path / "M23 book.xlsx") and None
        ),
        mended=1,
    ),
    _broken("M24 headings only.csv", text(WEIGHINGS), 0, 0, "holds headings but no row."),
    # two that need no mending: nobody should have to save a file again for these
    _broken(
        "M25 windows.csv",
        text(
            f"{WEIGHINGS.strip()},notes\nM25 a,2024-10-05,31.5,scale,hausse ôtée\n"
            "M25 b,2024-10-05,30.25,scale,à côté\n",
            "windows-1252",
        ),
        2,
        2,
    ),
    _broken(
        "M26 semicolons.csv",
        text(good("M26").replace(",", ";").replace(".", ",")),
        2,
        2,
    ),
)


def send_base(study: Study) -> int:
    """Put the coordinator's own lists into the inbox; return their rows."""
    members = sorted({one.member for one in BROKEN})
    apiaries = "".join(f"{member} yard,{member}\n" for member in members)
    colonies = "".join(f"{m} {k},{m} yard\n" for m in members for k in "ab")
    text(f"apiary_id,member_id\n{apiaries}")(study.inbox_path / "apiaries.csv")
    text(f"colony_id,apiary_id\n{colonies}")(study.inbox_path / "colonies.csv")
    return 3 * len(members)
