"""Frames to accessible HTML tables, every text from data escaped.

A table is printed from a cell with ``output: asis`` inside a ``::: {#tbl-…}`` block whose
last paragraph is its caption, so that both ways of rendering number it and link to it.
"""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from reports.wording import number, one_line

_MARK = ' class="number"'
FEW = "few"
"""What stands where a count of members is too small to be shown."""


@dataclass(frozen=True, slots=True)
class Column:
    """How one column of a frame is shown.

    Parameters
    ----------
    title : str
        The heading.
    decimals : int
        Decimals of numbers.
    group : str
        Heading that spans neighbouring columns of the same group.
    is_number : bool
        Set to the right even when the numbers come as text.
    """

    title: str
    decimals: int = 0
    group: str = ""
    is_number: bool = False


def cell_text(value: object, decimals: int = 0) -> str:
    """Write one value as safe HTML; an en dash for a missing one.

    A struct of ``anchor`` and ``text`` becomes a link inside the page.

    Examples
    --------
    >>> cell_text("<script>"), cell_text(None), cell_text(1234.56, 1), cell_text(True)
    ('&lt;script&gt;', '–', '1\\u202f234.6', 'yes')
    """
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return number(value, decimals)
    if isinstance(value, dict):
        return f'<a href="#{html.escape(value["anchor"])}">{cell_text(value["text"])}</a>'
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, date):
        return value.isoformat()
    text = one_line(value)  # a line of its own could end the raw block
    return html.escape(text, quote=True).replace("{", "&#123;")  # nor be a shortcode


def _head(columns: Sequence[Column], is_number: Sequence[bool]) -> str:
    cells = "".join(
        f'<th scope="col"{_MARK if right else ""}>{html.escape(c.title)}</th>'
        for c, right in zip(columns, is_number, strict=True)
    )
    if not any(c.group for c in columns):
        return f"<thead><tr>{cells}</tr></thead>"
    spans: list[list] = []
    for column in columns:
        if spans and spans[-1][0] == column.group:
            spans[-1][1] += 1
        else:
            spans.append([column.group, 1])
    groups = "".join(
        f'<th scope="colgroup" colspan="{n}">{html.escape(name)}</th>' if name else
        f'<td colspan="{n}"></td>'
        for name, n in spans
    )  # fmt: skip
    return f"<thead><tr>{groups}</tr><tr>{cells}</tr></thead>"


def html_table(
    frame: pl.DataFrame, columns: Mapping[str, Column | str], *, label: str, empty: str = "Nothing."
) -> str:
    """Write a frame as a raw HTML block for Markdown.

    Parameters
    ----------
    frame : polars.DataFrame
        One row a line; the first shown column heads its row.
    columns : mapping of str to Column or str
        Columns to show, in order, with their headings; others stay hidden.
    label : str
        Names the scrolling region for readers who do not see it.
    empty : str
        The sentence shown instead when there are no rows.

    Returns
    -------
    str
        Markdown: a fenced raw block, or the sentence.
    """
    if frame.is_empty():
        return empty
    shown = {k: Column(v) if isinstance(v, str) else v for k, v in columns.items()}
    is_number = {k: frame.schema[k].is_numeric() or c.is_number for k, c in shown.items()}
    is_number[next(iter(shown))] = False
    body = []
    for row in frame.select(list(shown)).iter_rows(named=True):
        cells = []
        for i, (name, column) in enumerate(shown.items()):
            value = row[name]
            text = cell_text(value, column.decimals)
            if i == 0:
                cells.append(f'<th scope="row">{text}</th>')
            else:
                cells.append(f"<td{_MARK if is_number[name] else ''}>{text}</td>")
        body.append(f"<tr>{''.join(cells)}</tr>")
    return "\n".join(
        [
            "```{=html}",
            f'<div class="scroll" role="region" tabindex="0" aria-label="{html.escape(label)}">',
            '<table data-quarto-disable-processing="true">',
            _head(list(shown.values()), list(is_number.values())),
            "<tbody>",
            *body,
            "</tbody>",
            "</table>",
            "</div>",
            "```",
        ]
    )


def has_hidden(frame: pl.DataFrame) -> bool:
    """Whether any cell of a table is hidden because it rests on too few members."""
    if "is_hidden" in frame.columns:
        return bool(frame["is_hidden"].any())
    texts = frame.select(pl.col(pl.String))
    return any((column == FEW).any() for column in texts)


def small_cells(n_members: Sequence[int], minimum: int) -> list[bool]:
    """Mark which cells of one partition must not be shown apart.

    A cell is small when at least one but fewer than ``minimum`` members stand behind it. When
    just one is small, its value would follow from the total, so the next smallest is hidden too.

    Examples
    --------
    >>> small_cells([9, 3, 12, 6], 5)
    [False, True, False, True]
    >>> small_cells([2, 3, 12, 0], 5)
    [True, True, False, False]
    """
    small = [0 < n < minimum for n in n_members]
    if sum(small) == 1:
        others = [(n, i) for i, n in enumerate(n_members) if n > 0 and not small[i]]
        if others:
            small[min(others)[1]] = True
    return small


def hide_small(
    frame: pl.DataFrame, columns: Sequence[str], *, minimum: int, members: str = "n_members"
) -> pl.DataFrame:
    """Empty ``columns`` in the rows of one partition that rest on too few members.

    Returns
    -------
    polars.DataFrame
        The frame with a boolean column ``is_hidden``; hidden values are null.
    """
    counts = frame[members].fill_null(0).to_list()
    hidden = pl.Series("is_hidden", small_cells(counts, minimum), dtype=pl.Boolean)
    return frame.with_columns(hidden).with_columns(
        pl.when("is_hidden").then(None).otherwise(pl.col(c)).alias(c) for c in columns
    )
