"""Receipts: for each file that came in, what became of every row; gathered from the store."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.contracts import load_contracts
from pipeline.store import Store

SET_ASIDE = "ignored by mapping"


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one file.

    Attributes
    ----------
    file : dict
        Its row of the store's table ``files``.
    accepted : dict of str to int
        Rows by the record they went into; a row may have gone into several.
    superseded : int
        Of those, the rows in whose place a later file has put newer ones.
    rows_set_aside : int
        Rows that a mapping leaves out on purpose; they count as read, and not as accepted.
    to_mend : polars.DataFrame
        Lines of ``rejected_rows`` that ask for something, in the file's order.
    set_aside : polars.DataFrame
        Columns ``sheet, reason, rows``.
    members : tuple of str
        Members whose colonies or apiaries the accepted rows speak of; for the coordinator only.
    """

    file: dict
    accepted: dict[str, int]
    superseded: int
    rows_set_aside: int
    to_mend: pl.DataFrame
    set_aside: pl.DataFrame
    members: tuple[str, ...]

    @property
    def rows_to_mend(self) -> int:
        """Rows that were rejected and not left out on purpose."""
        return (self.file["rows_rejected"] or 0) - self.rows_set_aside


_OWNERS_SQL = """
    SELECT colony_id, member_id FROM colonies JOIN apiaries USING (apiary_id)
    UNION SELECT colony_id, member_id FROM stays JOIN apiaries USING (apiary_id)
"""


def _accepted(store: Store) -> tuple[dict[int, dict[str, int]], dict[int, int], dict[int, set]]:
    """Accepted rows by file and record, the superseded among them, and whose they are."""
    counts: dict[int, dict[str, int]] = {}
    newer: dict[int, int] = {}
    members: dict[int, set] = {}
    for name, contract in load_contracts().items():
        sql = (
            f"SELECT _file_no, count(*), count(*) FILTER (_is_superseded) "
            f'FROM "{name}_rows" GROUP BY _file_no'
        )
        for file_no, rows, superseded in store.connection.sql(sql).fetchall():
            counts.setdefault(file_no, {})[name] = rows
            newer[file_no] = newer.get(file_no, 0) + superseded
        if "member_id" in contract.columns:
            source = f'"{name}_rows"'
        elif "colony_id" in contract.columns:
            source = f'"{name}_rows" JOIN ({_OWNERS_SQL}) USING (colony_id)'
        else:
            continue
        owned = f"SELECT DISTINCT _file_no, member_id FROM {source}"
        for file_no, member in store.connection.sql(owned).fetchall():
            members.setdefault(file_no, set()).add(member)
    return counts, newer, members


def read_receipts(store: Store) -> list[Receipt]:
    """Gather what became of every file, in their order of arrival."""
    counts, newer, members = _accepted(store)
    rejected = store.table("rejected_rows").sort("sheet", "row", "record", "column")
    is_aside = pl.col("rule") == SET_ASIDE
    receipts = []
    for file in store.table("files").to_dicts():
        lines = rejected.filter(pl.col("file_sha256") == file["file_sha256"])
        aside, to_mend = lines.filter(is_aside), lines.filter(~is_aside)
        also = to_mend.select("sheet", "row").unique()
        only_aside = (
            aside.select("sheet", "row").unique().join(also, on=["sheet", "row"], how="anti")
        )
        number = file["file_no"]
        receipts.append(
            Receipt(
                file=file,
                accepted=counts.get(number, {}),
                superseded=newer.get(number, 0),
                rows_set_aside=only_aside.height,
                to_mend=to_mend,
                set_aside=aside.group_by("sheet", reason="mend")
                .agg(rows=pl.len())
                .sort("sheet", "reason"),
                members=tuple(sorted(members.get(number, ()))),
            )
        )
    return receipts
