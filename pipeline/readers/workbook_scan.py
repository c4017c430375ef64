"""A workbook's inside, looked at before anything is expanded into cells.

A workbook is a zip archive of XML. Before the cell reader allocates a grid, this module checks
what it would expand to and refuses macros, passwords and document type declarations (by which
entities could be made to multiply). It also finds the cells that the cell reader would pass on as
empty: errors such as ``#N/A``, and formulas that no program has calculated yet.

References
----------
ECMA-376, Office Open XML, part 1: SpreadsheetML worksheets, and part 2: packaging.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from xml.parsers import expat

from pipeline.errors import ReadError
from pipeline.readers.tables import LONGEST_CELL
from pipeline.settings import IngestSettings

_CHUNK = 1 << 20
_MOST_CELLS = 5_000_000
_MOST_ELEMENTS = 12_000_000  # of XML, in a whole workbook: some 20 s to read
_MOST_ODD = 100_000
_SHARED_STRINGS = "xl/sharedstrings.xml"
_COMPRESSIONS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)  # all that packaging (part 2) allows
_REF = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")
_NUMBER = re.compile(r"[0-9]{1,9}")


@dataclass(slots=True)
class SheetScan:
    """What one sheet spans, and the cells whose value is no value.

    Attributes
    ----------
    first_row, last_row, last_column : int
        Counted from 1; zero for a sheet without values.
    n_values : int
        Cells that hold more than blanks, odd cells left out.
    odd_cells : dict
        (row, column), both from 0, to the text that stands for an error or uncalculated formula.
    """

    first_row: int = 0
    last_row: int = 0
    last_column: int = 0
    n_values: int = 0
    odd_cells: dict[tuple[int, int], str] = field(default_factory=dict)


def scan_workbook(path: Path, name: str, limits: IngestSettings) -> dict[str, SheetScan]:
    """Check a workbook and measure its sheets, by name in their order.

    Raises
    ------
    ReadError
        The workbook is damaged, encrypted, holds macros or a document type declaration, or would
        expand beyond the limits.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = _members(archive, name, limits)
            sheets = _sheet_members(archive, members, name)
            scans = {sheet: SheetScan() for sheet in sheets.values()}
            budget = _Budget(name, limits)
            shared = _SharedStrings(budget)
            if _SHARED_STRINGS in members:
                _parse(archive, members[_SHARED_STRINGS], name, shared)
            for key, info in members.items():
                if key in sheets:
                    handler = _SheetHandler(scans[sheets[key]], shared, budget)
                    _parse(archive, info, name, handler)
                elif key.endswith((".xml", ".rels")) and key != _SHARED_STRINGS:
                    _parse(archive, info, name, None)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, ValueError):
        # zipfile says by a RuntimeError that it knows no such compression
        raise _damaged(name) from None
    for sheet, scan in scans.items():
        _refuse_extent(scan, name, sheet, limits)
    return scans


def _damaged(name: str) -> ReadError:
    return ReadError(
        f"{name} is a damaged workbook.",
        mend="Send it again, or open it where that is possible and save it again as .xlsx.",
    )


def _members(
    archive: zipfile.ZipFile, name: str, limits: IngestSettings
) -> dict[str, zipfile.ZipInfo]:
    """Members by their name as the cell reader compares it: without regard to capitals."""
    total = 0
    members: dict[str, zipfile.ZipInfo] = {}
    for info in archive.infolist():
        total += info.file_size
        key = _member_key(info.filename)
        if key in members:  # which of the two is read would be chance
            raise _damaged(name)
        members[key] = info
        if info.flag_bits & 1:
            raise ReadError(
                f"{name} is protected by a password.", mend="Remove the password and save it again."
            )
        if info.compress_type not in _COMPRESSIONS:
            raise _damaged(name)
        if info.filename.lower().endswith("vbaproject.bin"):
            raise ReadError(f"{name} holds macros.", mend="Save it as .xlsx, without macros.")
    if total > limits.maximum_expanded_mb * 1_000_000:
        raise ReadError(
            f"{name} expands to {total / 1e6:,.0f} MB, more than the "
            f"{limits.maximum_expanded_mb:,} MB allowed.",
            mend="Save its sheets as CSV files, or raise maximum_expanded_mb in study.toml.",
        )
    return members


def _member_key(member: str) -> str:
    return member.replace("\\", "/").lower()


def _refuse_extent(scan: SheetScan, name: str, sheet: str, limits: IngestSettings) -> None:
    n_cells = (scan.last_row - scan.first_row + 1) * scan.last_column
    if scan.last_column > limits.maximum_columns or n_cells > _MOST_CELLS:
        raise ReadError(
            f"{name}, sheet {sheet!r} spans {scan.last_row:,} rows and {scan.last_column:,} "
            f"columns: more than {limits.maximum_columns:,} columns or {_MOST_CELLS:,} cells.",
            mend="Delete stray cells far from the table, or save the sheet as CSV.",
        )


def _sheet_members(
    archive: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], name: str
) -> dict[str, str]:
    """Member (as a key of ``members``) of each worksheet to the sheet's name."""
    sheets: list[tuple[str, str]] = []
    targets: dict[str, str] = {}

    def sheet(tag: str, attributes: dict[str, str]) -> None:
        if _local(tag) == "sheet":
            link = next((v for k, v in attributes.items() if k.endswith(":id")), "")
            sheets.append((link, attributes.get("name", "")))

    def relationship(tag: str, attributes: dict[str, str]) -> None:
        if _local(tag) == "Relationship":
            target = attributes.get("Target", "")
            is_absolute = target.startswith("/")
            member = target.lstrip("/") if is_absolute else str(PurePosixPath("xl") / target)
            targets[attributes.get("Id", "")] = _member_key(member)

    for member, start in (
        ("xl/workbook.xml", sheet),
        ("xl/_rels/workbook.xml.rels", relationship),
    ):
        if member not in members:
            raise _damaged(name)
        _parse(archive, members[member], name, _Starts(start))
    found = {targets.get(link, ""): sheet for link, sheet in sheets}
    names = {sheet for _, sheet in sheets}
    if len(names) < len(sheets) or len(found) < len(sheets) or not found.keys() <= members.keys():
        raise _damaged(name)
    return found


class _Starts:
    """Hand every start tag to a function."""

    def __init__(self, start: object) -> None:
        self._start = start

    def attach(self, parser: expat.XMLParserType) -> None:
        parser.StartElementHandler = self._start  # type: ignore[assignment]


def _parse(
    archive: zipfile.ZipFile,
    info: zipfile.ZipInfo,
    name: str,
    handler: _Starts | _SharedStrings | _SheetHandler | None,
) -> None:
    parser = expat.ParserCreate()
    parser.buffer_text = True

    def refuse(*_: object) -> None:
        raise ReadError(
            f"{name} declares a document type inside ({info.filename}), which no office program "
            "writes.",
            mend="Open it, copy the table into a new workbook, and send that.",
        )

    parser.StartDoctypeDeclHandler = refuse
    if handler:
        handler.attach(parser)
    try:
        for chunk in _chunks(archive, info):
            parser.Parse(chunk)
        parser.Parse(b"", True)
    except (expat.ExpatError, LookupError, ValueError):  # the latter: encodings nobody has
        raise _damaged(name) from None


def _chunks(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Iterator[bytes]:
    with archive.open(info) as member:
        while chunk := member.read(_CHUNK):
            yield chunk


def _local(tag: str) -> str:
    return tag.rpartition(":")[2]


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


class _Budget:
    """What one workbook may cost."""

    def __init__(self, name: str, limits: IngestSettings) -> None:
        self.name = name
        self._limits = limits
        self._elements = 0
        self._characters = 0

    def element(self) -> None:
        self._elements += 1
        if self._elements > _MOST_ELEMENTS:
            raise ReadError(
                f"{self.name} has more than {_MOST_ELEMENTS:,} cells and parts of cells.",
                mend="Save its sheets as CSV files.",
            )

    def text(self, length: int) -> None:
        """Count a cell's text: a shared one is copied into every cell."""
        self._characters += length
        if self._characters > self._limits.maximum_expanded_mb * 1_000_000:
            raise ReadError(
                f"{self.name} expands to more than {self._limits.maximum_expanded_mb:,} MB.",
                mend="Save its sheets as CSV files, or raise maximum_expanded_mb in study.toml.",
            )


class _SharedStrings:
    """How long each shared text is, and whether it is more than blanks."""

    def __init__(self, budget: _Budget) -> None:
        self._budget = budget
        self.lengths: list[int] = []
        self.is_blank: list[bool] = []
        self._is_inside = False

    def attach(self, parser: expat.XMLParserType) -> None:
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text

    def _start(self, tag: str, _: dict[str, str]) -> None:
        self._budget.element()
        local = _local(tag)
        if local == "si":
            self.lengths.append(0)
            self.is_blank.append(True)
        self._is_inside = local == "t" and bool(self.lengths)

    def _text(self, text: str) -> None:
        if self._is_inside:
            self.lengths[-1] += len(text)
            self.is_blank[-1] = self.is_blank[-1] and not text.strip()

    def _end(self, tag: str) -> None:
        self._is_inside = False


class _SheetHandler:
    """Follow the cells of one sheet."""

    def __init__(self, scan: SheetScan, shared: _SharedStrings, budget: _Budget) -> None:
        self._scan = scan
        self._shared = shared
        self._budget = budget
        self._row = 0
        self._column = 0
        self._kind = ""
        self._texts: dict[str, str] = {}
        self._inside = ""

    def attach(self, parser: expat.XMLParserType) -> None:
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self._budget.element()
        local = _local(tag)
        if local == "row":
            number = attributes.get("r", "")
            self._row = int(number) if _NUMBER.fullmatch(number) else self._row + 1
            self._column = 0
        elif local == "c":
            found = _REF.fullmatch(attributes.get("r", ""))
            self._column = _column_number(found[1]) if found else self._column + 1
            self._row = int(found[2]) if found else self._row
            self._kind = attributes.get("t", "")
            self._texts = {}
        elif local in ("v", "f", "is"):
            self._inside = local
            self._texts[local] = ""

    def _text(self, text: str) -> None:
        if self._inside:
            text = self._texts[self._inside] + text
            if len(text) > LONGEST_CELL:
                raise ReadError(
                    f"{self._budget.name}: row {self._row} has a cell of more than "
                    f"{LONGEST_CELL:,} characters.",
                    mend="Shorten it, or save the sheet as CSV.",
                )
            self._texts[self._inside] = text

    def _end(self, tag: str) -> None:
        local = _local(tag)
        if local in ("v", "f", "is"):
            self._inside = ""
        elif local == "c" and self._texts:
            self._note_cell()

    def _note_cell(self) -> None:
        value, formula = self._texts.get("v", ""), self._texts.get("f")
        has_value = bool(value) or "is" in self._texts
        if not has_value and formula is None:
            return
        scan = self._scan
        scan.first_row = min(scan.first_row or self._row, self._row)
        scan.last_row = max(scan.last_row, self._row)
        scan.last_column = max(scan.last_column, self._column)
        place = (self._row - 1, self._column - 1)
        if self._kind == "e":
            scan.odd_cells[place] = value or "#ERROR"
        elif not has_value:
            scan.odd_cells[place] = f"={formula}" if formula else "=…"
        else:
            self._note_value(value or self._texts.get("is", ""))
        if len(scan.odd_cells) > _MOST_ODD:
            raise ReadError(
                f"{self._budget.name} has more than {_MOST_ODD:,} cells that hold an error or a "
                "formula without its value.",
                mend="Open it, let the program calculate it, and save it again.",
            )

    def _note_value(self, text: str) -> None:
        length, is_blank = len(text), not text.strip()
        if self._kind == "s" and _NUMBER.fullmatch(text) and int(text) < len(self._shared.lengths):
            length = self._shared.lengths[int(text)]
            is_blank = self._shared.is_blank[int(text)]
        self._scan.n_values += not is_blank
        self._budget.text(length)
