"""Mite counts of a pool's units, as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.covariates import floats
from models.vocabulary import METHODS


@dataclass(frozen=True, slots=True)
class MiteCounts:
    """Mite counts of analysed units; ``method`` indexes METHODS, -1 for a sticky board."""

    rows: np.ndarray
    method: np.ndarray
    mites: np.ndarray
    bees: np.ndarray
    board_days: np.ndarray
    days_before: np.ndarray
    treatments_between: np.ndarray


def read_mite_counts(samples: pl.DataFrame, unit_names: tuple[str, ...]) -> MiteCounts:
    """Pack the counts of analysed units that can be read: some bees sampled, or days of a board.

    Parameters
    ----------
    samples : polars.DataFrame
        ``mite_samples``, as ``data_contracts/derived`` describes.
    unit_names : tuple of str
        Colony and winter of each unit.
    """
    rows = {name: i for i, name in enumerate(unit_names)}
    keys = [f"{c} {w}" for c, w in zip(samples["colony_id"], samples["winter"], strict=True)]
    usable = samples.with_columns(row=pl.Series([rows.get(k) for k in keys], dtype=pl.Int64))
    is_board = pl.col("method") == "sticky board"
    usable = usable.filter(
        pl.col("row").is_not_null()
        & pl.when(is_board)
        .then(pl.col("board_days").fill_null(0) > 0)
        .otherwise(pl.col("bees_sampled").fill_null(0) > 0)
    ).sort("row", "sampled_on", "method", "sample_no")
    return MiteCounts(
        rows=usable["row"].to_numpy(),
        method=np.array(
            [METHODS.index(m) if m in METHODS else -1 for m in usable["method"]], dtype=int
        ),
        mites=usable["mites_counted"].cast(pl.Int64).to_numpy(),
        bees=floats(usable, "bees_sampled"),
        board_days=floats(usable, "board_days"),
        days_before=floats(
            usable.with_columns(pl.col("days_before_reference").fill_null(0)),
            "days_before_reference",
        ),
        treatments_between=floats(usable, "treatments_between"),
    )
