"""Opening a member's file: its tables, each with the plan that turns it into records."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from pipeline.contracts import contracts_fingerprint, load_contracts
from pipeline.mapping import Mapping, TablePlan, load_mappings, mapping_for, plan_table
from pipeline.readers import ReadOptions, TextTable, read_tables
from pipeline.settings import IngestSettings


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
        mapping = mapping_for(name, self.mappings)
        total = hashlib.sha256(contracts_fingerprint().encode())
        total.update((mapping.fingerprint if mapping else "").encode())
        total.update(repr(asdict(self.limits)).encode())
        return total.hexdigest()

    def tables(self, path: Path, name: str) -> Iterator[tuple[TextTable, TablePlan]]:
        """Yield the tables of a file, each to be consumed before the next, with their plans.

        Raises
        ------
        WinterpoolError
            The file cannot be read, or a table's headings fit no contract and no mapping.
        """
        mapping = mapping_for(name, self.mappings)
        options = mapping.options if mapping else ReadOptions()
        short = Path(name).name
        for table in read_tables(path, options, self.limits, short):
            yield table, plan_table(table, short, mapping, load_contracts())

    def first_records(self, path: Path, name: str) -> set[str]:
        """Names of the records that a file's first table feeds."""
        for _, plan in self.tables(path, name):
            return {record.record for record in plan.records}
        return set()
