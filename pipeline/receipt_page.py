"""Receipts as pages and CSV: what was accepted of a file, and how to mend the rest.

A receipt speaks of one file only, so it can go back to whoever sent that file. What a member wrote
is shown as text and nothing else. Its words stand in the language files, sections ``receipt`` and
``rules``; the sentences that say how to mend something are English, which other languages say.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

from pipeline.contracts import load_contracts
from pipeline.disk import disk_errors, replacing_together
from pipeline.file_names import plain_stem
from pipeline.html_pages import escape, page, paragraph, table
from pipeline.languages import DEFAULT, Words, words
from pipeline.receipts import Receipt, read_receipts
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.study import Study

MOST_SHOWN = 500
"""Lines a page shows; its CSV holds all."""
COLUMNS = ("sheet", "row", "record", "column", "written", "wrong", "mend")
"""Columns of the CSV, by their keys in the language files."""
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


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


def _lines(receipt: Receipt, w: Words) -> list[tuple]:
    rules = w.section("rules")
    told = "sheet", "row", "record", "column", "value", "rule", "mend"
    return [
        (
            sheet,
            row,
            w.record(record or ""),
            _named(column, w),
            value,
            rules.get(rule.partition(" ")[0], rules.get(rule, rule)),
            mend,
        )
        for sheet, row, record, column, value, rule, mend in receipt.to_mend.select(told).rows()
    ]


def _named(column: str | None, w: Words) -> str:
    """Name a column as the mending sentence does, after its heading in the language."""
    name = column or ""
    return f"{w.headings[name]} ({name})" if name in w.headings else name


def write_csv(path: Path, receipt: Receipt, w: Words) -> None:
    """Write the lines to mend as CSV, or what is wrong with the file as a whole."""
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([w(f"receipt.csv_{column}") for column in COLUMNS])
        if receipt.file["problem"]:
            whole = ("", "", "", "", "", receipt.file["problem"], receipt.file["mend"])
            writer.writerow([safe_cell(value) for value in whole])
        for line in _lines(receipt, w):
            writer.writerow([safe_cell(value) for value in line])


def receipt_page(receipt: Receipt, settings: Settings, w: Words, csv_name: str) -> str:
    """Write a receipt as a page that needs nothing else.

    Parameters
    ----------
    receipt : Receipt
    settings : Settings
    w : Words
        The language.
    csv_name : str
        The file that holds all lines.
    """
    file = receipt.file
    read_at = file["ingested_at"]
    about = w(
        "receipt.file",
        file=file["name"],
        size=w.number(max(1, round(file["size_bytes"] / 1000))),
        day=w.date(read_at),
        time=f"{read_at:%H:%M}",
        digest=(file["file_sha256"] or w("receipt.no_digest"))[:16],
    )
    body = [
        paragraph(settings.study.association or settings.study.name, "soft"),
        paragraph(about),
    ]
    is_translated = w("receipt.in_english") != ""
    english = DEFAULT if is_translated else ""
    if is_translated and (file["problem"] or receipt.to_mend.height or receipt.set_aside.height):
        body.append(paragraph(w("receipt.in_english"), "soft"))
    if file["problem"]:
        body += [
            _heading(w("receipt.whole")),
            '<div class="caution">'
            + paragraph(file["problem"], language=english)
            + paragraph(file["mend"], language=english)
            + "</div>",
        ]
    body.append(_heading(w("receipt.became")))
    outcome = [
        (w("receipt.read"), file["rows_read"] or 0),
        (w("receipt.accepted"), file["rows_accepted"] or 0),
        (w("receipt.left_out"), receipt.rows_set_aside),
        (w("receipt.mend"), receipt.rows_to_mend),
    ]
    body.append(_counts(w, "rows", "how_many", outcome, "every"))
    if receipt.accepted:
        titles = {name: contract.title for name, contract in load_contracts().items()}
        held = [(w.records.get(name, titles[name]), n) for name, n in receipt.accepted.items()]
        body.append(_counts(w, "record", "rows", held, "held"))
    if receipt.superseded:
        key = "superseded_one" if receipt.superseded == 1 else "superseded"
        body.append(paragraph(w(f"receipt.{key}", rows=w.number(receipt.superseded))))
    if not receipt.set_aside.is_empty():
        rows = [(sheet or "–", why, w.number(n)) for sheet, why, n in receipt.set_aside.rows()]
        headings = [w(f"receipt.{key}") for key in ("sheet", "why", "lines")]
        title = w("receipt.aside")
        numbers, spoken = frozenset({2}), {1: english}
        body.append(table(headings, rows, caption=title, numbers=numbers, language_of=spoken))
    body += _to_mend(receipt, w, csv_name, english)
    banner = w("receipt.invented") if settings.study.is_invented else ""
    title = w("receipt.title", file=Path(file["name"]).name)
    return page(title, body, language=w.code, banner=banner)


def _heading(text: str) -> str:
    return f"<h2>{escape(text)}</h2>"


def _counts(w: Words, what: str, how_many: str, rows: list[tuple[str, int]], caption: str) -> str:
    return table(
        (w(f"receipt.{what}"), w(f"receipt.{how_many}")),
        [(name, w.number(n)) for name, n in rows],
        caption=w(f"receipt.{caption}"),
        numbers=frozenset({1}),
    )


def _to_mend(receipt: Receipt, w: Words, csv_name: str, english: str) -> list[str]:
    lines = _lines(receipt, w)
    if not lines:
        return [] if receipt.file["problem"] else [paragraph(w("receipt.done"))]
    rows = [
        (", ".join(filter(None, (sheet, w("receipt.place", row=row), column))), value, wrong, mend)
        for sheet, row, _, column, value, wrong, mend in lines[:MOST_SHOWN]
    ]
    shown, n = w.number(MOST_SHOWN), w.number(len(lines))
    where = "receipt.more_in" if len(lines) > MOST_SHOWN else "receipt.all_in"
    return [
        _heading(w("receipt.mend")),
        paragraph(w("receipt.how")),
        table(
            [w(f"receipt.{key}") for key in ("where", "written", "wrong", "how_to_mend")],
            rows,
            caption=w("receipt.rejected"),
            wide=frozenset({0, 1, 2, 3}),
            language_of={3: english},
        ),
        paragraph(w(where, shown=shown, lines=n, csv=csv_name), "soft"),
    ]


def write_receipts(study: Study, settings: Settings, *, language: str = DEFAULT) -> list[Path]:
    """Write a page and a CSV for every file into ``STUDY/receipts``, and a list of them.

    Parameters
    ----------
    study : Study
    settings : Settings
    language : str
        Code of the receipts' language; other than English it ends the files' names:
        ``0001-hives-csv.html``, ``0001-hives-csv.fr.html``.

    Returns
    -------
    list of Path
        The pages, in the files' order of arrival; ``index.csv`` beside them tells the coordinator
        whose records each file brought.

    Raises
    ------
    StudyError
        Nothing has been loaded yet, or there is no such language.
    StoreError
        The store is damaged or in use.
    """
    w = words(language)
    ending = "" if language == DEFAULT else f".{language}"
    study.require_loaded()
    with Store.open(study.store_path, read_only=True) as store:
        receipts = read_receipts(store)
    folder = study.path / "receipts"
    pages, listed = [], []
    with disk_errors(folder, "step"), replacing_together(folder, last="index.csv") as draft:
        for receipt in receipts:
            name = receipt.file["name"]
            stem = f"{receipt.file['file_no']:04d}-{plain_stem(Path(name).name)}"
            csv_name, page_name = f"{stem}{ending}.csv", f"{stem}{ending}.html"
            write_csv(draft / csv_name, receipt, w)
            text = receipt_page(receipt, settings, w, csv_name)
            (draft / page_name).write_text(text, encoding="utf-8")
            pages.append(folder / page_name)
            counts = (receipt.file["rows_read"], receipt.file["rows_accepted"])
            members = "; ".join(receipt.members)
            listed.append((name, stem, members, *counts, receipt.rows_to_mend))
        with (draft / "index.csv").open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("file", "receipt", "members", "rows read", "accepted", "to mend"))
            writer.writerows([safe_cell(value) for value in row] for row in listed)
    return pages
