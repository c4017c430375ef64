"""Rows of text made from the contracts: good ones, ones with a known fault, and any at all."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from hypothesis import strategies as st

from pipeline.contracts import Contract, Field

Row = dict[str, str | None]

ODD_CELLS = ("1e3", "nan", "inf", "1,5", "-", "n/a", "2023-13-01", "<b>", "=1+1", "é", "0x1F", "#3")


def good_cell(field: Field, number: int) -> str:
    """Text that keeps every rule of a column; key texts differ by ``number``."""
    if field.enum:
        return str(field.enum[0])
    if field.type == "string":
        return "EUR" if field.pattern == "[A-Z]{3}" else f"A-{number}"
    if field.name == "winter":
        return "2023"
    if field.type in ("integer", "number"):
        return f"{field.minimum if field.minimum is not None else 1}"
    if field.type == "boolean":
        return field.true_values[0]
    return "2023-10-05" if field.type == "date" else "2023-10-05T07:00:00+00:00"


def good_row(contract: Contract, number: int) -> Row:
    """A row with every cell filled that breaks no rule; keys differ by ``number``."""
    row: Row = {field.name: good_cell(field, number) for field in contract.fields}
    if contract.name == "prices":  # the one key without a free text
        row["winter"] = str(1960 + number)
    return row


def bad_cells(field: Field) -> Iterator[tuple[str, str | None]]:
    """Yield each Table Schema rule of a column with a cell that breaks it alone."""
    step = timedelta(days=1) if field.type == "date" else 1
    if field.is_required and field.default is None:
        yield "required", None
    if field.type != "string":
        yield "type", "?"
    if field.minimum is not None:
        yield "minimum", str(field.minimum - step)
    if field.maximum is not None:
        yield "maximum", str(field.maximum + step)
    if field.enum:
        yield "enum", "no such"
    if field.pattern:
        yield "pattern", "<>"
    if field.max_length:
        yield "maxLength", "x" * (field.max_length + 1)


def cells(field: Field) -> st.SearchStrategy[str | None]:
    """Any cell a member may write in place of a good one: another good one, none, or an odd one."""
    others = st.integers(1, 4).map(lambda number: good_cell(field, number))
    return st.one_of(others, st.none(), st.sampled_from(ODD_CELLS))


def rows(contract: Contract) -> st.SearchStrategy[list[Row]]:
    """Up to ten rows of one record: good but for at most two cells, keys often repeated."""
    changes = st.dictionaries(
        st.sampled_from(contract.fields), st.none(), min_size=0, max_size=2
    ).flatmap(lambda fields: st.fixed_dictionaries({f.name: cells(f) for f in fields}))
    numbers = st.integers(1, 4)
    row = st.builds(lambda number, changed: good_row(contract, number) | changed, numbers, changes)
    return st.lists(row, max_size=10)


def csv_text(rows_: list[Row], columns: tuple[str, ...]) -> str:
    """Write rows as CSV, every cell quoted, empty cells left bare."""
    lines = [",".join(columns)]
    for row in rows_:
        given = [row.get(column) for column in columns]
        lines.append(",".join("" if c is None else '"' + c.replace('"', '""') + '"' for c in given))
    return "\n".join(lines) + "\n"
