"""Secondary outcomes as the report shows them: one table and the sentences that go with it."""

from __future__ import annotations

import polars as pl

from models.assumptions import derive_adjustment, load_assumptions
from models.logged import BROOD, HELD, MOISTURE
from reports.tables import FEW, Column
from reports.wording import (
    NO_BREAK,
    because,
    chance,
    listed,
    markdown_text,
    number,
    sentence,
    signed,
)

_DIRECTION = {BROOD: ("earlier", "later"), MOISTURE: ("fewer", "more")}
_UNITS = {BROOD: ("days", 1), MOISTURE: ("h per 100 logged days", 0)}
SECONDARY_COLUMNS: dict[str, Column | str] = {
    "outcome": "Outcome",
    "contrast": "Contrast",
    "difference": "Difference (95 %)",
    "words": "In words",
    "n_units": Column("Colony-winters", is_number=True),
    "members": Column("Members", is_number=True),
}
_NODE = {BROOD: "brood onset", MOISTURE: "condensation risk"}


def _difference(row: dict) -> str:
    if row["status"] != "estimated":
        return str(row["status"])
    unit, decimals = _UNITS[row["outcome"]]
    low, high = signed(row["q2.5"], decimals), signed(row["q97.5"], decimals)
    return f"{signed(row['mean'], decimals)} {unit} ({low}{NO_BREAK}to{NO_BREAK}{high})"


def _in_words(row: dict) -> str:
    """Say how likely the first level has the smaller value, or why there is no number."""
    if row["status"] == "not converged":
        return "The sampler did not converge, so no number is given."
    if row["status"] != "estimated":
        return sentence(because(row["reason"]))
    less, more = _DIRECTION[row["outcome"]]
    return f"{less} with {chance(row['p_less'])} % probability, else {more}"


def secondary_table(secondary: pl.DataFrame, minimum: int) -> pl.DataFrame:
    """Table every secondary contrast, estimated or not, as text.

    Parameters
    ----------
    secondary : polars.DataFrame
        ``results/secondary.csv``.
    minimum : int
        Fewest members whose count may be shown.

    Returns
    -------
    polars.DataFrame
        outcome, contrast, difference, words, n_units, members.
    """
    rows = [
        {
            "outcome": row["outcome"],
            "contrast": row["contrast"],
            "difference": _difference(row),
            "words": _in_words(row),
            "n_units": FEW if 0 < row["n_members"] < minimum else number(row["n_units"]),
            "members": FEW if 0 < row["n_members"] < minimum else number(row["n_members"]),
        }
        for row in secondary.to_dicts()
    ]
    names = ("outcome", "contrast", "difference", "words", "n_units", "members")
    return pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String))


def secondary_sentences(secondary: pl.DataFrame, problem: str = "") -> list[str]:
    """Say what these numbers are, whom they leave out and what they do not adjust for.

    Parameters
    ----------
    secondary : polars.DataFrame
        ``results/secondary.csv``.
    problem : str
        Why there is none, of ``results/secondary_run.json``.
    """
    if secondary.is_empty():
        why = f" {markdown_text(problem)}" if problem else ""
        return [f"The secondary outcomes have not been fitted.{why}"]
    if not (secondary["status"] == "estimated").any():
        return ["**Secondary**: the loggers carry no comparison of levels; the table says why."]
    left = dict(secondary.select("outcome", "n_left_out").iter_rows())
    assumptions = load_assumptions()
    lacking = frozenset().union(
        *(derive_adjustment(assumptions, node).adjusted - HELD for node in _NODE.values())
    )
    return [
        "**Secondary**: estimates from the colonies with loggers, compared within members and "
        "judged by the same gates as the answer. They describe colonies that came through, because "
        "the logger of a dead colony sees neither brood nor damp; "
        f"{listed([f'{number(n)} logged winters are left out of {o}' for o, n in left.items()])}. "
        "Who came through differs by set-up, so these are no effects on all colonies.",
        f"Of what the graph of assumptions asks for, {listed(sorted(lacking))} are not held still "
        "here; whether mites were treated stands for their load. Condensation risk is computed "
        "from the layers of the very hive, so that part of its difference follows from the "
        "set-up by construction: it is the measured air that makes it news.",
    ]
