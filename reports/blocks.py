"""What cells of the documents print: sentences, figures and tables with their captions.

A figure's alt text comes from the data, so it cannot stand in a cell's options; each block
is therefore written as a cross-reference block (``::: {#fig-…}``) from a cell with
``output: asis``. Captions and sentences are Markdown; whatever in them comes from data has
passed ``wording.markdown_text``.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import polars as pl
from matplotlib.figure import Figure

from reports.context import Pool
from reports.figures import figure_markdown
from reports.tables import FEW, Column, has_hidden, html_table


def slug(text: str) -> str:
    """Make an identifier of a heading."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def few_note(pool: Pool, frame: pl.DataFrame) -> str:
    """Explain what is hidden in a table, when something is."""
    if not has_hidden(frame):
        return ""
    return (
        f" *{FEW}* or – stands for groups of fewer than {pool.minimum_cell} members, and for one "
        "more group where they would follow from the total."
    )


def say(*paragraphs: str) -> None:
    """Print paragraphs of Markdown."""
    for paragraph in paragraphs:
        if paragraph:
            print(f"\n{paragraph}\n")


def say_list(items: list[str]) -> None:
    """Print a bullet list of Markdown."""
    print("\n" + "\n".join(f"- {item}" for item in items) + "\n")


def show_figure(pool: Pool, label: str, caption: str, figure: Figure, alt: str) -> None:
    """Print a figure that ``@fig-label`` can point to."""
    image = figure_markdown(figure, label, alt, invented=pool.invented)
    print(f"\n::: {{#fig-{label}}}\n\n{image}\n\n{caption}\n\n:::\n")


def show_table(
    label: str, caption: str, frame: pl.DataFrame, columns: Mapping[str, Column | str]
) -> None:
    """Print a table that ``@tbl-label`` can point to; an empty frame prints nothing."""
    if frame.is_empty():
        return
    block = html_table(frame, columns, label=f"Table: {label.replace('-', ' ')}")
    print(f"\n::: {{#tbl-{label}}}\n\n{block}\n\n{caption}\n\n:::\n")


@contextmanager
def folded(summary: str) -> Iterator[None]:
    """Fold what the block prints behind one line, which a click or key opens."""
    say(f"```{{=html}}\n<details>\n<summary>{html.escape(summary)}</summary>\n```")
    yield
    say("```{=html}\n</details>\n```")


def warn_invented(pool: Pool) -> None:
    """Print the banner of a made-up study, on the screen and on every printed page."""
    if not pool.invented:
        return
    text = "Invented data: the people, places, bees and figures in this report are made up."
    rule = f'@media print {{ @page {{ @top-center {{ content: "{text}"; font-size: 8pt; }} }} }}'
    say(
        f"```{{=html}}\n<style>{rule}</style>\n"
        f'<p class="invented" role="note"><strong>{html.escape(text)}</strong></p>\n```'
    )
