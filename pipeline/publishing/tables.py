"""The tables of a bundle: made from a study's, written as CSV and Parquet, read back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.contracts import load_derived_contracts
from pipeline.publishing.checksums import BundleError
from pipeline.publishing.coarsen import (
    AS_THEY_ARE,
    MITES_AS_THEY_ARE,
    STEPS,
    STRENGTHS,
    as_derived_mites,
    as_derived_units,
    publishable_mites,
    publishable_units,
)
from pipeline.publishing.consent import Consents, read_consents
from pipeline.publishing.pseudonyms import Pseudonyms
from pipeline.publishing.small_cells import Protected, fence_view, protect, too_few_alike
from pipeline.settings import Settings, WinterSettings
from pipeline.stages.windows import UNIT

FOLDER = "data"
STORES = ("autumn_stores_kg", "stores_use_kg", "stores_method_sd_kg")
SURFACES = ("insulated_walls", "is_top_insulated", "is_bottom_insulated")
_MOST_BYTES = 500_000_000
_FAULTS = (pl.exceptions.PolarsError, pl.exceptions.PanicException)
_WALLS = ("front", "back", "left", "right")


NEEDED = {
    "colony_winters": (*AS_THEY_ARE, *STRENGTHS, "cold_kd_per_day", *STORES),
    "mite_samples": (*MITES_AS_THEY_ARE, "days_before_reference", "sample_no"),
    "set_ups": (*UNIT, *SURFACES),
}
SET_UPS = {
    "colony_id": pl.String(),
    "winter": pl.Int64(),
    "insulated_walls": pl.Int64(),
    "is_top_insulated": pl.Boolean(),
    "is_bottom_insulated": pl.Boolean(),
}


@dataclass(frozen=True, slots=True)
class Tables:
    """What a bundle holds in ``data``.

    Attributes
    ----------
    colony_winters, mite_samples : polars.DataFrame
        What the fit reads.
    set_ups : polars.DataFrame
        Which surfaces were insulated: what the level follows from.
    """

    colony_winters: pl.DataFrame
    mite_samples: pl.DataFrame
    set_ups: pl.DataFrame

    def for_fit(self, winter: WinterSettings) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Return ``colony_winters`` and ``mite_samples`` as the fit reads them."""
        return as_derived_units(self.colony_winters, winter), as_derived_mites(
            self.mite_samples, winter
        )


def _surfaces(envelopes: pl.DataFrame, units: pl.DataFrame, k: int) -> pl.DataFrame:
    """Insulated walls, top and bottom of published units; patterns of fewer than k are empty."""
    walls = pl.sum_horizontal(pl.col(f"is_{wall}_insulated").cast(pl.Int64) for wall in _WALLS)
    is_known = pl.all_horizontal(
        pl.col(f"is_{side}_insulated").is_not_null() for side in (*_WALLS, "top", "bottom")
    )
    patterns = units.select(*UNIT).join(
        envelopes.filter(is_known).select(
            *UNIT, "is_top_insulated", "is_bottom_insulated", insulated_walls=walls
        ),
        on=UNIT,
        how="left",
    )
    is_common = pl.len().over(SURFACES) >= k
    return patterns.select(*UNIT, *(pl.when(is_common).then(name) for name in SURFACES)).sort(*UNIT)


@dataclass(frozen=True, slots=True)
class Chosen:
    """Consented, pseudonymous, coarsened colony-winters before small classes are looked at."""

    units: pl.DataFrame
    consents: Consents


def choose_units(
    colony_winters: pl.DataFrame,
    members: pl.DataFrame,
    pseudonyms: Pseudonyms,
    settings: Settings,
    coarser: int,
) -> Chosen:
    """Take the analysed colony-winters of members who agreed.

    Raises
    ------
    StudyError
        Nobody agreed.
    """
    analysed = colony_winters.filter(
        pl.col("exclusion_reason").is_null()
        & pl.all_horizontal(pl.col("level", "member_id", "apiary_id").is_not_null())
    )
    consents = read_consents(analysed, members)
    own = analysed.filter(pl.col("member_id").is_in(list(consents.agreed)))
    units = publishable_units(pseudonyms.replace(own), settings, STEPS[coarser])
    return Chosen(units, consents)


def count_small(chosen: Chosen, coarser: int, k: int) -> int:
    """Count the colony-winters that too few look like."""
    return int(too_few_alike(chosen.units, fence_view(STEPS[coarser]), k).sum())


def make_tables(
    chosen: Chosen,
    mite_samples: pl.DataFrame,
    envelopes: pl.DataFrame,
    pseudonyms: Pseudonyms,
    coarser: int,
    k: int,
) -> tuple[Tables, Protected]:
    """Leave out what too few look like, make strengths alike, and take what belongs to the rest."""
    protected = protect(chosen.units, STEPS[coarser], k)
    units = protected.units
    mites = publishable_mites(pseudonyms.replace(mite_samples), units, k)
    return Tables(units, mites, _surfaces(pseudonyms.replace(envelopes), units, k)), protected


def write_tables(tables: Tables, folder: Path) -> None:
    """Write each table as CSV and as Parquet."""
    folder.mkdir(parents=True)
    for name in Tables.__slots__:
        frame: pl.DataFrame = getattr(tables, name)
        frame.write_csv(folder / f"{name}.csv")
        frame.write_parquet(folder / f"{name}.parquet", compression="zstd")


def _refuse_huge(parquet: Path, csv: Path) -> None:
    """Refuse by size what would fill the memory: no association has so many colony-winters."""
    said = pq.read_metadata(parquet)
    unpacked = sum(said.row_group(i).total_byte_size for i in range(said.num_row_groups))
    cells = said.num_rows * max(said.num_columns, 1)
    if max(unpacked, cells, csv.stat().st_size, parquet.stat().st_size) > _MOST_BYTES:
        raise BundleError(
            f"{FOLDER}/{parquet.stem} is larger than {_MOST_BYTES / 1e6:,.0f} MB.",
            mend="Leave this bundle out and tell who published it.",
        )


def _read(folder: Path, name: str) -> pl.DataFrame:
    path = folder / f"{name}.parquet"
    try:
        _refuse_huge(path, folder / f"{name}.csv")
        frame = pl.DataFrame(pl.from_arrow(pq.read_table(path)))
        typed = pl.read_csv(folder / f"{name}.csv", schema=frame.schema, glob=False)
    except (*_FAULTS, pa.ArrowException, ValueError, OSError) as error:
        raise BundleError(
            f"{FOLDER}/{name} cannot be read as Parquet and CSV ({type(error).__name__}).",
            mend="Get the bundle again from where it was published.",
        ) from None
    if not typed.equals(frame):
        raise BundleError(
            f"{FOLDER}/{name}.csv and {FOLDER}/{name}.parquet do not hold the same rows.",
            mend="Get the bundle again from where it was published.",
        )
    schema = load_derived_contracts()[name].polars_schema if name != "set_ups" else SET_UPS
    wrong = [c for c, kind in frame.schema.items() if c in schema and schema[c] != kind]
    foreign = [c for c in frame.columns if c not in schema]
    missing = [c for c in NEEDED[name] if c not in frame.columns]
    if wrong or foreign or missing:
        raise BundleError(
            f"{FOLDER}/{name} has a column that it should not have or lacks one: "
            f"{(wrong + foreign + missing)[0]}.",
            mend="Reproduce the bundle with the version of Winterpool that its README names.",
        )
    return frame


def read_tables(folder: Path) -> Tables:
    """Read a bundle's tables; CSV and Parquet must hold the same.

    Raises
    ------
    BundleError
        A table is missing, unreadable, or not what it should be.
    """
    return Tables(*(_read(folder, name) for name in Tables.__slots__))
