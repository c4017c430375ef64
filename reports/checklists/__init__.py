"""Reporting checklists: what each item asks, where the report tells it, what is left to add.

Each file ``NAME.toml`` is one list: ``name``, ``about``, ``source`` and ``items``, each with

- ``number``, ``item``: the item in our own short words;
- ``place``: the anchor of the report where it is told;
- ``told``: a sentence, or the name of one of ``FACTS``, which writes it from the study;
- ``needs``: what must be there for it to be told: one of ``NEEDS``, or the name of a check of the
  answer, whose finding is then told;
- ``yours``: what no program can know and the association must write.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import polars as pl

from reports.checklists.facts import FACTS, finding
from reports.context import Pool
from reports.tables import Column
from reports.wording import number

LISTS = ("strobe", "barg")
_HEADING = re.compile(r"^#+ (.*?)\{#([\w-]+)[^}]*\}", re.MULTILINE)

NEEDS: Mapping[str, tuple[Callable[[Pool], bool], str]] = {
    "records": (lambda pool: pool.shown.height > 0, "no colony-winter with a known fate"),
    "fit": (
        lambda pool: "estimated" in pool.estimands["status"].to_list(),
        "no estimate stands behind this report",
    ),
    "checks": (
        lambda pool: (pool.study.results_path / "checks.csv").exists(),
        "no questions were asked of the answer",
    ),
    "payoff": (
        lambda pool: any(pool.study.results_path.glob("payoff*")),
        "winterpool payoff has not been run",
    ),
}
"""What an item may need, and what is said where it is not there."""

COLUMNS: Mapping[str, Column | str] = {
    "number": "No.",
    "item": "Item",
    "place": "Where",
    "told": "What stands there",
    "yours": "For the association to write",
}


@cache
def section_titles() -> dict[str, str]:
    """Headings of the report's documents by their anchors."""
    documents = [d for d in files("reports").iterdir() if d.name.endswith(".qmd")]
    found = [_HEADING.findall(d.read_text(encoding="utf-8")) for d in documents]
    return {anchor: title.strip() for headings in found for title, anchor in headings}


def load_checklist(name: str) -> dict[str, Any]:
    """Read one list as its file gives it."""
    text = (files("reports.checklists") / f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _told(pool: Pool, item: dict[str, str]) -> str:
    needs = item.get("needs", "")
    if needs in NEEDS:
        is_there, missing = NEEDS[needs]
        if not is_there(pool):
            return f"Not yet: {missing}."
    elif needs:
        return finding(pool, needs)
    told = item.get("told", "")
    return FACTS[told](pool) if told in FACTS else told


def checklist(pool: Pool, name: str) -> pl.DataFrame:
    """Fill one list from a study.

    Parameters
    ----------
    pool : Pool
    name : str
        One of ``LISTS``.

    Returns
    -------
    polars.DataFrame
        An item a row, in the list's order: number, item, place (a link to the section, where
        there is one), told, yours.
    """
    titles = section_titles()
    rows = []
    for item in load_checklist(name)["items"]:
        anchor = item.get("place")
        rows.append(
            {
                "number": item["number"],
                "item": item["item"],
                "place": {"anchor": anchor, "text": titles[anchor]} if anchor else None,
                "told": _told(pool, item) or None,
                "yours": item.get("yours"),
            }
        )
    link = pl.Struct({"anchor": pl.String, "text": pl.String})
    schema = {c: link if c == "place" else pl.String() for c in COLUMNS}
    return pl.DataFrame(rows, schema=schema)


def checklist_sentence(pool: Pool, name: str) -> str:
    """Say how much of a list this report tells, and what it leaves to the association."""
    filled = checklist(pool, name)
    is_open = pl.col("told").str.starts_with("Not yet").fill_null(True)
    told = filled.filter(~is_open).height
    yours = filled["yours"].count()
    given = load_checklist(name)
    asks = "asks" if yours == 1 else "ask"
    left = f"; {number(yours)} {asks} the association for words of its own" if yours else ""
    return (
        f"**{given['name']}**, {given['about']} ({given['source']}). This report speaks to {told} "
        f"of {filled.height} items{left}."
    )
