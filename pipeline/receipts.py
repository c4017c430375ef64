"""Receipts: for each file that came in, what became of every row and how to mend the rejected.

A receipt speaks of one file only, so it can go back to whoever sent that file. What a member wrote
is shown as text and nothing else.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.contracts import load_contracts
from pipeline.disk import disk_errors, replacing_together
from pipeline.file_names import plain_stem
from pipeline.html_pages import page, paragraph, table
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study

SET_ASIDE = "ignored by mapping"
MOST_SHOWN = 500
"""Lines a page shows; its CSV holds all."""
COLUMNS = (
    "sheet",
    "row",
    "record",
    "column",
    "what was written",
    "what is wrong",
    "how to mend it",
)
INVENTED = "Invented data: the people, places, bees and figures in this receipt are made up."
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one file.

    Attributes
    ----------
    file : dict
        Its row of the store's table ``files``.
    accepted : dict of str to int
        Rows by the title of the record they went into; a row may have gone into several.
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
            counts.setdefault(file_no, {})[contract.title] = rows
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


def safe_cell(value: object) -> str:
    """Write a value so that a spreadsheet shows it and never reckons with it.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("12.5"), safe_cell("  @x")
    ("'=1+1", '12.5', "'  @x")
    """
    text = "" if value is None else str(value)
    text = re.sub(r"([;\t|]\s*)(?=[=+\-@])", r"\1'", text)  # where other countries split cells
    is_risky = text.startswith(_FORMULA_STARTS) or text.lstrip().startswith(_FORMULA_STARTS)
    return f"'{text}" if is_risky else text


def _lines(receipt: Receipt, rules: Mapping[str, str]) -> list[tuple]:
    told = "sheet", "row", "record", "column", "value", "rule", "mend"
    return [
        (
            sheet,
            row,
            record,
            column,
            value,
            rules.get(rule.partition(" ")[0], rules.get(rule, rule)),
            mend,
        )
        for sheet, row, record, column, value, rule, mend in receipt.to_mend.select(told).rows()
    ]


def write_csv(path: Path, receipt: Receipt, rules: Mapping[str, str]) -> None:
    """Write the lines to mend as CSV, or what is wrong with the file as a whole."""
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        if receipt.file["problem"]:
            whole = ("", "", "", "", "", receipt.file["problem"], receipt.file["mend"])
            writer.writerow([safe_cell(value) for value in whole])
        for line in _lines(receipt, rules):
            writer.writerow([safe_cell(value) for value in line])


def _counted(n: int, what: str = "row") -> str:
    return f"{n:,}".replace(",", "\u202f") + f" {what}{'' if n == 1 else 's'}"


def receipt_page(
    receipt: Receipt, settings: Settings, rules: Mapping[str, str], csv_name: str
) -> str:
    """Write a receipt as a page that needs nothing else.

    Parameters
    ----------
    receipt : Receipt
    settings : Settings
    rules : mapping of str to str
        Rules in a member's words.
    csv_name : str
        The file that holds all lines.
    """
    file = receipt.file
    size = f"{max(1, round(file['size_bytes'] / 1000)):,}".replace(",", "\u202f")
    body = [
        paragraph(settings.study.association or settings.study.name, "soft"),
        paragraph(
            f"{file['name']}, {size} kB, read on {file['ingested_at']:%Y-%m-%d %H:%M} UTC. "
            f"Digest of its content (SHA-256): {(file['file_sha256'] or 'none')[:16]}."
        ),
    ]
    if file["problem"]:
        body += [
            "<h2>The file as a whole</h2>",
            '<div class="caution">'
            + paragraph(file["problem"])
            + paragraph(file["mend"])
            + "</div>",
        ]
    body.append("<h2>What became of its rows</h2>")
    outcome = [
        ("Read", file["rows_read"] or 0),
        ("Accepted", file["rows_accepted"] or 0),
        ("Left out on purpose", receipt.rows_set_aside),
        ("To be mended", receipt.rows_to_mend),
    ]
    shown = [(what, f"{n:,}".replace(",", "\u202f")) for what, n in outcome]
    body.append(
        table(("Rows", "How many"), shown, caption="Every row read", numbers=frozenset({1}))
    )
    if receipt.accepted:
        held = [(title, f"{n:,}".replace(",", "\u202f")) for title, n in receipt.accepted.items()]
        body.append(
            table(("Record", "Rows"), held, caption="What was accepted", numbers=frozenset({1}))
        )
    if receipt.superseded:
        body.append(
            paragraph(
                f"Of these, {_counted(receipt.superseded)} no longer count: a later file brought "
                "newer ones of the same key. Nothing is deleted."
            )
        )
    if not receipt.set_aside.is_empty():
        rows = [(sheet or "–", reason, n) for sheet, reason, n in receipt.set_aside.rows()]
        title = "Left out on purpose, nothing to do"
        body.append(table(("Sheet", "Why", "Lines"), rows, caption=title, numbers=frozenset({2})))
    body += _to_mend(receipt, rules, csv_name)
    banner = INVENTED if settings.study.is_invented else ""
    return page(f"Receipt for {Path(file['name']).name}", body, banner=banner)


def _to_mend(receipt: Receipt, rules: Mapping[str, str], csv_name: str) -> list[str]:
    lines = _lines(receipt, rules)
    if not lines:
        done = "" if receipt.file["problem"] else "Nothing needs mending. Thank you."
        return [paragraph(done)] if done else []
    rows = [
        (place, value, wrong, mend)
        for sheet, row, _, column, value, wrong, mend in lines[:MOST_SHOWN]
        for place in [f"{sheet + ', ' if sheet else ''}row {row}{', ' + column if column else ''}"]
    ]
    how = (
        "Correct these rows in your own file and send it again, whole or only the corrected rows "
        "under the same headings. What was accepted stays; a newer row takes the older one's place."
    )
    more = (
        f"The first {MOST_SHOWN} of {len(lines):,} lines are shown; "
        if len(lines) > MOST_SHOWN
        else ""
    )
    headings = ("Where", "Written", "What is wrong", "How to mend it")
    return [
        "<h2>To be mended</h2>",
        paragraph(how),
        table(
            headings,
            rows,
            caption="Rejected rows, counted as in your file, the heading as 1",
            wide=frozenset({0, 1, 2, 3}),
        ),
        paragraph(
            f"{more or 'The same lines stand '}{'all stand ' if more else ''}in {csv_name}.", "soft"
        ),
    ]


def write_receipts(study: Study, settings: Settings, rules: Mapping[str, str]) -> list[Path]:
    """Write a page and a CSV for every file into ``STUDY/receipts``, and a list of them.

    Parameters
    ----------
    study : Study
    settings : Settings
    rules : mapping of str to str
        Rules of contracts in a member's words.

    Returns
    -------
    list of Path
        The pages, in the files' order of arrival; ``index.csv`` beside them tells the coordinator
        whose records each file brought.

    Raises
    ------
    StudyError
        Nothing has been loaded yet.
    StoreError
        The store is damaged or in use.
    """
    study.require_loaded()
    with Store.open(study.store_path, read_only=True) as store:
        receipts = read_receipts(store)
    folder = study.path / "receipts"
    pages, listed = [], []
    with disk_errors(folder, "step"), replacing_together(folder, last="index.csv") as draft:
        for receipt in receipts:
            name = receipt.file["name"]
            stem = f"{receipt.file['file_no']:04d}-{plain_stem(Path(name).name)}"
            write_csv(draft / f"{stem}.csv", receipt, rules)
            text = receipt_page(receipt, settings, rules, f"{stem}.csv")
            (draft / f"{stem}.html").write_text(text, encoding="utf-8")
            pages.append(folder / f"{stem}.html")
            counts = (receipt.file["rows_read"], receipt.file["rows_accepted"])
            members = "; ".join(receipt.members)
            listed.append((name, stem, members, *counts, receipt.rows_to_mend))
        with (draft / "index.csv").open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("file", "receipt", "members", "rows read", "accepted", "to mend"))
            writer.writerows([safe_cell(value) for value in row] for row in listed)
    return pages
