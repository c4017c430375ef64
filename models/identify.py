"""Which contrasts these records can carry: links between levels, counted before any estimate.

Two levels are compared by the members (or apiaries) who used both: everything else about the
beekeeper then cancels. A *cell* is a level with its top open or closed. Two cells are linked
when at least ``minimum_links`` members, or as many apiaries, used both. A level is compared
with ``none`` only when, at one and the same opening, a chain of linked cells joins the two, and
at least ``minimum_colonies`` colony-winters with the outcome stand at either end. A smooth prior
over levels never fills a hole.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl

from models.data import Pool
from models.vocabulary import LEVELS, OUTCOMES, STRENGTH, SURVIVAL
from pipeline.settings import Settings

FULL_CLOSED = "full closed vs none"
CONTRASTS = ("top vs none", "partial vs none", "full vs none", FULL_CLOSED)

Cell = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a contrast is identified; the sentence says why not."""

    is_identified: bool
    reason: str = ""


def _refuse(why: str) -> Verdict:
    return Verdict(False, f"Cannot be estimated from these records, because {why}.")


def _users(cell: np.ndarray, names: list, group: np.ndarray) -> dict:
    return {name: set(group[cell == k].tolist()) for k, name in enumerate(names)}


def _linked(
    names: list, members: dict, apiaries: dict, minimum: int
) -> dict[tuple, tuple[int, int, bool]]:
    """Count members and apiaries who used both of each pair."""
    links = {}
    for a, b in combinations(names, 2):
        by_member = len(members[a] & members[b])
        by_apiary = len(apiaries[a] & apiaries[b])
        links[a, b] = (by_member, by_apiary, max(by_member, by_apiary) >= minimum)
    return links


def _reachable(start: Cell, links: dict[tuple, tuple[int, int, bool]]) -> set[Cell]:
    """Cells joined to one cell by a chain of links."""
    found, ahead = {start}, [start]
    while ahead:
        here = ahead.pop()
        for (a, b), (_, _, is_linked) in links.items():
            other = b if a == here else a if b == here else None
            if is_linked and other is not None and other not in found:
                found.add(other)
                ahead.append(other)
    return found


def _opening_names(pool: Pool, rows: np.ndarray) -> np.ndarray:
    """Open, closed or unknown; one name for all where the opening is no part of the model."""
    if not pool.has("top opening"):
        return np.full(len(rows), "any")
    names = np.where(pool.opening[rows] == 1.0, "open", "closed")
    return np.where(pool.is_opening_known[rows], names, "unknown")


def _outcome_rows(pool: Pool, outcome: str) -> np.ndarray:
    return pool.observed[outcome].rows


def count_links(pool: Pool, settings: Settings) -> pl.DataFrame:
    """Count who links each pair of levels, an outcome at a time.

    Parameters
    ----------
    pool : Pool
    settings : Settings
        ``model.minimum_links`` is read.

    Returns
    -------
    polars.DataFrame
        outcome (``any`` counts every analysed unit), level_a, level_b, linking_members,
        linking_apiaries, is_linked: a row for every pair, used or not.
    """
    rows = []
    for outcome in ("any", *OUTCOMES):
        units = np.arange(pool.n_units) if outcome == "any" else _outcome_rows(pool, outcome)
        at = np.array([LEVELS.index(pool.levels[k]) for k in pool.level[units]], dtype=int)
        members = _users(at, list(LEVELS), pool.member[units])
        apiaries = _users(at, list(LEVELS), pool.apiary[units])
        links = _linked(list(LEVELS), members, apiaries, settings.model.minimum_links)
        rows += [(outcome, a, b, *counts) for (a, b), counts in links.items()]
    return pl.DataFrame(
        rows,
        schema={
            "outcome": pl.String,
            "level_a": pl.String,
            "level_b": pl.String,
            "linking_members": pl.Int64,
            "linking_apiaries": pl.Int64,
            "is_linked": pl.Boolean,
        },
        orient="row",
    )


def _too_few(pool: Pool, rows: np.ndarray, contrast: str, minimum: int) -> str:
    """Say which end of a contrast has too few colony-winters, or nothing."""
    opening = _opening_names(pool, rows)
    names = np.array(pool.levels)[pool.level[rows]] if len(rows) else np.array([])
    if contrast == FULL_CLOSED:
        ends = {
            "fully insulated with the top closed": (names == "full")
            & np.isin(opening, ("closed", "any")),
            "not insulated": names == "none",
        }
    else:
        level = contrast.removesuffix(" vs none")
        ends = {f"at level {level}": names == level, "not insulated": names == "none"}
    for words, chosen in ends.items():
        n = int(chosen.sum())
        if n < minimum:
            if n == 0:
                return (
                    f"no colony-winter with this outcome recorded stood {words} "
                    f"({minimum} are needed)"
                )
            return f"fewer than {minimum} colony-winters with this outcome recorded stood {words}"
    return ""


def _own_verdict(pool: Pool, outcome: str, contrast: str, settings: Settings) -> Verdict:
    if not pool.n_units:
        why = pool.parts["colony-winters"].reason
        return _refuse("no colony-winter could be analysed" + (f": {why}" if why else ""))
    if not pool.has(outcome):
        return _refuse(pool.parts[outcome].reason)
    rows = _outcome_rows(pool, outcome)
    too_few = _too_few(pool, rows, contrast, settings.model.minimum_colonies)
    if too_few:
        return _refuse(too_few)
    if contrast == FULL_CLOSED and not pool.has("top opening"):
        return _refuse(
            "open and closed tops cannot be told apart: " + pool.parts["top opening"].reason
        )
    opening = _opening_names(pool, rows)
    names = [pool.levels[k] for k in pool.level[rows]]
    pairs = list(zip(names, opening.tolist(), strict=True))
    cells = sorted(c for c in set(pairs) if c[1] != "unknown")
    at = np.array([cells.index(c) if c in cells else -1 for c in pairs])
    links = _linked(
        cells,
        _users(at, cells, pool.member[rows]),
        _users(at, cells, pool.apiary[rows]),
        settings.model.minimum_links,
    )
    minimum = settings.model.minimum_links
    if contrast == FULL_CLOSED:
        reach = _reachable(("full", "closed"), links)
        unreached = [c for c in cells if c[0] == "none" and c not in reach]
        if len(unreached) == len([c for c in cells if c[0] == "none"]):
            return _refuse(
                f"fewer than {minimum} members or apiaries link full insulation with a closed "
                "top to no insulation, directly or through other set-ups"
            )
        return Verdict(True)
    level = contrast.removesuffix(" vs none")
    for state in ("closed", "open", "any"):
        if (level, state) in cells and ("none", state) in _reachable((level, state), links):
            return Verdict(True)
    return _refuse(
        f"fewer than {minimum} members or apiaries used both {level} and none with the same "
        "top opening, and no chain of other set-ups joins the two"
    )


def identify_contrasts(pool: Pool, settings: Settings) -> dict[tuple[str, str], Verdict]:
    """Say of every outcome and contrast whether the records can carry it.

    Parameters
    ----------
    pool : Pool
    settings : Settings
        ``model.minimum_links`` and ``model.minimum_colonies`` are read.

    Returns
    -------
    dict of (outcome, contrast) to Verdict
        Spring strength counts a dead colony as zero frames and so needs survival too.
    """
    verdicts = {
        (outcome, contrast): _own_verdict(pool, outcome, contrast, settings)
        for outcome in OUTCOMES
        for contrast in CONTRASTS
    }
    for contrast in CONTRASTS:
        survival = verdicts[SURVIVAL, contrast]
        if verdicts[STRENGTH, contrast].is_identified and not survival.is_identified:
            why = survival.reason.removeprefix("Cannot be estimated from these records, because ")
            verdicts[STRENGTH, contrast] = _refuse(
                "spring strength counts a dead colony as zero, and for survival "
                + why.removesuffix(".")
            )
    return verdicts
