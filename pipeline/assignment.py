"""The draw of next winter's set-ups: who can take part, blocks of like colonies, levels by lot.

The draw is a function of what was recorded before it: a seed and a list of colonies. Lots are
digests of the seed with the names of apiary and colony, so that anybody can draw again, in any
language, and an apiary's lots do not hang on what other apiaries are there (Rivest RL 2011,
"Reference implementation code for pseudo-random sampling", for election audits; from memory).

The rules, in order:

1. Where more colonies can take part than are asked for, those with the lowest lots do.
2. Strength and mites are standardised over all colonies that take part: frames of bees, and the
   log of the rate of the latest count, the rate of each kind of count on its own. A colony without
   one counts as its apiary's mean, and as the pool's where the apiary has none.
3. In each apiary blocks are made from the outside in: the colony farthest from the apiary's mean,
   with those most like it, one for each level; then again among those left. The last block, of
   the most ordinary colonies, may hold fewer colonies than there are levels.
4. In a whole block the colonies take the levels in the order of their lots. In one that is not
   whole they take the next different levels from shuffled packs of all levels, one pack after the
   other over all apiaries, so that no level gets many more colonies than another.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import polars as pl

COLONIES_SCHEMA = {
    "colony_id": pl.String,
    "apiary_id": pl.String,
    "member_id": pl.String,
    "strength_frames": pl.Float64,
    "mite_rate": pl.Float64,
    "mite_unit": pl.String,
}
DRAWN_SCHEMA = {
    "colony_id": pl.String,
    "winter": pl.Int64,
    "level": pl.String,
    "block": pl.String,
    **{name: kind for name, kind in COLONIES_SCHEMA.items() if name != "colony_id"},
}


@dataclass(frozen=True, slots=True)
class Draw:
    """All that a draw depends on.

    Attributes
    ----------
    winter : int
    seed : int
    levels : tuple of str
        Two or more, all different.
    per_apiary : int or None
        Most colonies of one apiary that take part; None for all.
    colonies : polars.DataFrame
        Those that can take part, as ``COLONIES_SCHEMA``; ``mite_rate`` per 100 bees or per day,
        half a mite added to every count.
    """

    winter: int
    seed: int
    levels: tuple[str, ...]
    per_apiary: int | None
    colonies: pl.DataFrame


def lot(seed: int, *names: str) -> str:
    """Return the lot of something by its names: 64 hexadecimal digits, to be put in order.

    Examples
    --------
    >>> lot(7, "block", "Alder", "A1") == lot(7, "block", "Alder", "A1")
    True
    >>> lot(7, "block", "Alder", "A1") == lot(8, "block", "Alder", "A1")
    False
    """
    return hashlib.sha256("\x1f".join((str(seed), *names)).encode()).hexdigest()


def _standardised(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Standardise within each group, NaN left; 0 where all known values are the same."""
    z = np.full(len(values), np.nan)
    for label in np.unique(group):
        rows = (group == label) & np.isfinite(values)
        if rows.any():
            sd = values[rows].std()
            z[rows] = (values[rows] - values[rows].mean()) / (sd if sd > 0 else 1.0)
    return z


def likeness_scores(colonies: pl.DataFrame) -> np.ndarray:
    """Standardised strength and mite load, gaps filled by rule 2; shape (colony, 2)."""
    strength = colonies["strength_frames"].to_numpy().astype(float)
    rate = colonies["mite_rate"].to_numpy().astype(float)
    unit = colonies["mite_unit"].fill_null("").to_numpy().astype(str)
    apiary = colonies["apiary_id"].to_numpy().astype(str)
    scores = np.column_stack(
        [
            _standardised(strength, np.zeros(len(colonies), dtype=int)),
            _standardised(np.log(rate), unit),
        ]
    )
    for column in scores.T:
        known = np.isfinite(column)
        for label in np.unique(apiary[~known]):
            own = column[known & (apiary == label)]
            column[~known & (apiary == label)] = own.mean() if len(own) else 0.0
    return scores


def make_blocks(scores: np.ndarray, size: int) -> list[np.ndarray]:
    """Put colonies of one apiary into blocks of like ones, from the outside in.

    Parameters
    ----------
    scores : numpy.ndarray, shape (colony, score)
        Of equals, the first counts as farther out and as more alike.
    size : int
        Colonies in a whole block.

    Returns
    -------
    list of numpy.ndarray of int
        Rows of each block; all are whole but, where the number does not divide, the last.

    Examples
    --------
    >>> [block.tolist() for block in make_blocks(np.array([[0.0], [9.0], [1.0], [8.0], [4.0]]), 2)]
    [[1, 3], [0, 2], [4]]
    """
    left = np.arange(len(scores))
    outwards = np.linalg.norm(scores - scores.mean(axis=0), axis=1) if len(scores) else scores
    blocks = []
    while len(left):
        first = left[np.argmax(outwards[left])]
        away = np.linalg.norm(scores[left] - scores[first], axis=1)
        away[left == first] = -1.0
        block = left[np.argsort(away, kind="stable")[:size]]
        blocks.append(block)
        left = np.setdiff1d(left, block)
    return blocks


class _Packs:
    """Shuffled packs of all levels, one after the other."""

    def __init__(self, draw: Draw) -> None:
        self._draw, self._made, self._left = draw, 0, list[str]()

    def deal(self, n: int) -> list[str]:
        """Deal n different levels: the next ones, those already dealt to the block left lying."""
        dealt: list[str] = []
        while len(dealt) < n:
            found = next((level for level in self._left if level not in dealt), None)
            if found is None:
                pack, seed = str(self._made), self._draw.seed
                self._made += 1
                self._left += sorted(
                    self._draw.levels, key=lambda name: lot(seed, "pack", pack, name)
                )
                continue
            self._left.remove(found)
            dealt.append(found)
        return dealt


def taking_part(draw: Draw) -> pl.DataFrame:
    """Return the colonies that take part, by apiary and name (rule 1)."""
    ordered = draw.colonies.select(list(COLONIES_SCHEMA)).sort("apiary_id", "colony_id")
    lots = [
        lot(draw.seed, "part", apiary, colony)
        for apiary, colony in zip(ordered["apiary_id"], ordered["colony_id"], strict=True)
    ]
    if draw.per_apiary is None:
        return ordered
    place = pl.col("_lot").rank("ordinal").over("apiary_id")
    picked = ordered.with_columns(_lot=pl.Series(lots, dtype=pl.String))
    return picked.filter(place <= draw.per_apiary).drop("_lot")


def draw_levels(draw: Draw) -> pl.DataFrame:
    """Draw: one row per colony that takes part, by apiary, block and name.

    Parameters
    ----------
    draw : Draw

    Returns
    -------
    polars.DataFrame
        As ``DRAWN_SCHEMA``; ``block`` is the apiary's name and a number.
    """
    colonies = taking_part(draw)
    scores = likeness_scores(colonies)
    apiary = colonies["apiary_id"].to_numpy().astype(str)
    names = colonies["colony_id"].to_list()
    level, block_name = [""] * len(names), [""] * len(names)
    packs = _Packs(draw)
    for yard in np.unique(apiary):
        rows = np.flatnonzero(apiary == yard)
        for number, inside in enumerate(make_blocks(scores[rows], len(draw.levels)), start=1):
            block = sorted(
                rows[inside].tolist(), key=lambda row: lot(draw.seed, "block", yard, names[row])
            )
            is_whole = len(block) == len(draw.levels)
            dealt = draw.levels if is_whole else packs.deal(len(block))
            for row, name in zip(block, dealt, strict=True):
                level[row], block_name[row] = name, f"{yard} {number}"
    drawn = colonies.with_columns(
        winter=pl.lit(draw.winter, pl.Int64),
        level=pl.Series(level, dtype=pl.String),
        block=pl.Series(block_name, dtype=pl.String),
    )
    return drawn.select(list(DRAWN_SCHEMA)).sort("apiary_id", "block", "colony_id")


def balance_by_level(drawn: pl.DataFrame, levels: tuple[str, ...]) -> pl.DataFrame:
    """Compare the levels before winter.

    Returns
    -------
    polars.DataFrame
        level, colonies, apiaries, strength_frames (mean of those counted), and strength_sd and
        mites_sd: how far the level's mean lies from all colonies' mean, in standard deviations.
    """
    scores = likeness_scores(drawn)
    rows = []
    for name in levels:
        own = (drawn["level"] == name).to_numpy()
        away = scores[own].mean(axis=0) - scores.mean(axis=0) if own.any() else [None, None]
        rows.append(
            {
                "level": name,
                "colonies": int(own.sum()),
                "apiaries": drawn.filter(pl.Series(own))["apiary_id"].n_unique(),
                "strength_frames": drawn.filter(pl.Series(own))["strength_frames"].mean(),
                "strength_sd": away[0],
                "mites_sd": away[1],
            }
        )
    return pl.DataFrame(
        rows,
        schema={
            "level": pl.String,
            "colonies": pl.Int64,
            "apiaries": pl.Int64,
            "strength_frames": pl.Float64,
            "strength_sd": pl.Float64,
            "mites_sd": pl.Float64,
        },
    )
