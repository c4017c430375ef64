"""Opening a member's file: its tables, each with the plan that turns it into records."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache
from importlib.resources import files
from pathlib import Path

from pipeline.ahead import made_ahead
from pipeline.contracts import contracts_fingerprint, load_contracts
from pipeline.languages import languages_fingerprint
from pipeline.mapping import Mapping, TablePlan, load_mappings, plan_table, read_options
from pipeline.readers import TextTable, read_tables
from pipeline.readers.files import BLOCK
from pipeline.settings import IngestSettings
from pipeline.sources import source_digest

_CODE = (
    "pipeline/readers",
    "pipeline/mapping",
    "pipeline/languages.py",
    "pipeline/phone_form.py",
    "pipeline/recognise.py",
    "pipeline/checks.py",
    "pipeline/staging.py",
    "pipeline/loading.py",
)
"""What decides how a file's bytes become rows, accepted or rejected."""


@cache
def _units_text() -> str:
    return (files("data_contracts") / "units.yaml").read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Opener:
    """Opens files by a study's mappings."""

    mappings: Sequence[Mapping]
    limits: IngestSettings

    @classmethod
    def of_folder(cls, folder: Path, limits: IngestSettings) -> Opener:
        """Use the mappings of a folder.

        Raises
        ------
        MappingError
            A mapping file is wrong.
        """
        return cls(load_mappings(folder), limits)

    def fingerprint(self, name: str) -> str:
        """Digest of all that decides what becomes of a file besides its content."""
        short = Path(name).name.casefold()
        speaking = [
            table
            for mapping in self.mappings
            for table in mapping.tables
            if any(fnmatchcase(short, pattern.casefold()) for pattern in table.files)
        ]
        code = source_digest(*_CODE)
        known = (contracts_fingerprint(), languages_fingerprint(), _units_text())
        decides = (known, code, speaking, self.limits)
        return hashlib.sha256(repr(decides).encode()).hexdigest()

    def tables(self, path: Path, name: str) -> Iterator[tuple[TextTable, TablePlan]]:
        """Yield the tables of a file, each to be consumed before the next, with their plans.

        Raises
        ------
        WinterpoolError
            The file cannot be read, or a table's headings fit no contract and no mapping.
        """
        short = Path(name).name
        options = read_options(short, self.mappings)
        is_long = path.is_file() and path.stat().st_size > BLOCK
        for table in read_tables(path, options, self.limits, short):
            yield (
                replace(table, batches=made_ahead(table.batches)) if is_long else table,
                plan_table(
                    short,
                    table.sheet,
                    table.header,
                    self.mappings,
                    load_contracts(),
                    decimal=table.decimal,
                ),
            )

    def first_records(self, path: Path, name: str) -> set[str]:
        """Names of the records that a file's first table feeds."""
        for _, plan in self.tables(path, name):
            return {record.record for record in plan.records}
        return set()
