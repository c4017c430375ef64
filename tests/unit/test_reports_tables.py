"""Tables: escaping, accessibility, and the hiding of small groups."""

from __future__ import annotations

from datetime import date
from html.parser import HTMLParser

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from reports.tables import Column, cell_text, has_hidden, hide_small, html_table, small_cells


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def parsed(markdown: str) -> Tags:
    tags = Tags()
    tags.feed(markdown.removeprefix("```{=html}").removesuffix("```"))
    return tags


def test_a_member_named_script_is_inert() -> None:
    frame = pl.DataFrame({"member": ["<script>alert(1)</script>"], "n": [3]})
    tags = parsed(html_table(frame, {"member": "Member", "n": "N"}, label="<x>"))
    assert "script" not in [tag for tag, _ in tags.found]
    assert "<script>alert(1)</script>" in tags.text
    region = next(attrs for tag, attrs in tags.found if tag == "div")
    assert region["aria-label"] == "<x>"
    assert region["tabindex"] == "0"


def test_text_cannot_end_the_raw_block() -> None:
    frame = pl.DataFrame({"a": ["x\n```\n# heading"]})
    lines = html_table(frame, {"a": "A"}, label="t").splitlines()
    assert [i for i, line in enumerate(lines) if line.startswith("```")] == [0, len(lines) - 1]


def test_spaces_that_must_not_break_stay() -> None:
    assert cell_text("3.0 (1.9\u00a0to\u00a04.1)") == "3.0 (1.9\u00a0to\u00a04.1)"


def test_text_cannot_be_a_shortcode() -> None:
    assert "{{<" not in cell_text("{{< env HOME >}}")
    assert "{{" not in cell_text("{{ x")


def test_headings_have_scopes_and_numbers_stand_right() -> None:
    frame = pl.DataFrame({"level": ["none"], "n": [1234], "x": [0.126], "on": [date(2024, 1, 2)]})
    columns = {
        "level": "Level",
        "n": Column("Number", group="Raw"),
        "x": Column("X", 2, group="Raw"),
        "on": "Day",
    }
    tags = parsed(html_table(frame, columns, label="t"))
    scopes = [attrs["scope"] for tag, attrs in tags.found if tag == "th"]
    assert scopes == ["colgroup", "col", "col", "col", "col", "row"]
    cells = [
        attrs.get("class") for tag, attrs in tags.found if tag == "td" and not attrs.get("colspan")
    ]
    assert cells == ["number", "number", None]
    assert {"1\u202f234", "0.13", "2024-01-02"} <= set(tags.text)


def test_an_empty_frame_is_told_in_words() -> None:
    assert html_table(pl.DataFrame({"a": []}), {"a": "A"}, label="t", empty="None came.") == (
        "None came."
    )


def test_missing_values_and_booleans() -> None:
    assert [cell_text(v) for v in (None, True, False, float("nan"))] == ["–", "yes", "no", "–"]


@given(st.lists(st.integers(0, 30), max_size=8), st.integers(1, 8))
def test_no_hidden_group_follows_from_the_total(counts: list[int], minimum: int) -> None:
    hidden = small_cells(counts, minimum)
    assert all(is_hidden for n, is_hidden in zip(counts, hidden, strict=True) if 0 < n < minimum)
    assert not any(is_hidden for n, is_hidden in zip(counts, hidden, strict=True) if n == 0)
    filled = sum(n > 0 for n in counts)
    assert sum(hidden) != 1 or filled == 1


def test_hidden_values_are_gone_from_the_frame() -> None:
    frame = pl.DataFrame(
        {"level": ["none", "top", "full"], "n": [40, 7, 9], "n_members": [9, 2, 6]}
    )
    hidden = hide_small(frame, ["n"], minimum=5)
    assert hidden["n"].to_list() == [40, None, None]
    assert has_hidden(hidden)
    assert not has_hidden(hide_small(frame, ["n"], minimum=1))
