"""``winterpool reproduce``: from a bundle alone, is every number what the bundle says?

Only CSV, Parquet, NetCDF, JSON and TOML are read; nothing in a bundle is run.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.errors import StudyError
from pipeline.physics.insulation import insulation_level
from pipeline.progress import Progress
from pipeline.publishing.agreement import EXACT, Line, compare_draws, compare_table
from pipeline.publishing.checksums import BundleError, verify_checksums
from pipeline.publishing.published_fit import require_modest
from pipeline.publishing.software import software_versions
from pipeline.publishing.tables import FOLDER, Tables, read_tables
from pipeline.settings import Settings, read_settings

if TYPE_CHECKING:
    import xarray as xr

    from models.data import Pool
    from pipeline.publishing.agreement import Draws

_MOST_BYTES = 4_000_000_000
HDF5 = b"\x89HDF\r\n\x1a\n"
NOT_DERIVED = (
    "degree-days and cold (daily weather would tell the place)",
    "the ledger of stores (weighings and feedings are not published)",
    "conductances (dimensions and materials are not published)",
    "what only loggers tell, and refits by other rules",
)


@dataclass(frozen=True, slots=True)
class Reproduction:
    """All comparisons, and notes on what differs without harm or could not be done again."""

    lines: list[Line] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def has_agreed(self) -> bool:
        """Whether every comparison agrees."""
        return all(line.agrees for line in self.lines)


def read_posterior(path: Path) -> xr.Dataset:
    """Read a bundle's draws.

    Raises
    ------
    BundleError
        The file is not NetCDF-4 or has no posterior.
    """
    import xarray as xr

    wrong = BundleError(
        f"{path.name} is not a NetCDF file with a posterior.",
        mend="Get the bundle again from where it was published.",
    )
    if not path.is_file():
        raise wrong
    with path.open("rb") as file:
        if file.read(len(HDF5)) != HDF5:
            raise wrong
    try:
        with xr.open_dataset(
            path, group="posterior", engine="netcdf4", decode_times=False
        ) as opened:
            _refuse_posterior(opened)
            draws = opened.load()
    except BundleError:
        raise
    except Exception as error:  # whatever its reader makes of bytes that somebody made up
        raise wrong from error
    if not {"chain", "draw"} <= set(draws.dims) or not min(draws.sizes.values()):
        raise wrong
    if any(not np.isfinite(value.values).all() for value in draws.data_vars.values()):
        raise BundleError(
            f"{path.name} holds draws that are no numbers.",
            mend="Leave this bundle out and tell who published it.",
        )
    return draws


def _refuse_posterior(opened: xr.Dataset) -> None:
    """Refuse, before any draw is read, what would fill the memory or is no number.

    A compressed file of a few kB can say that it holds terabytes of zeros.
    """
    at_once = [
        math.prod(value.encoding.get("chunksizes") or ()) * value.dtype.itemsize
        for value in opened.variables.values()
    ]
    if opened.nbytes > _MOST_BYTES or max(at_once, default=0) > _MOST_BYTES // 4:
        raise BundleError(
            f"Its posterior has {opened.nbytes / 1e6:,.0f} MB once expanded; "
            f"{_MOST_BYTES / 1e6:,.0f} MB are allowed.",
            mend="Leave this bundle out and tell who published it.",
        )
    odd = [str(name) for name, value in opened.data_vars.items() if value.dtype.kind not in "fiub"]
    if odd:
        raise BundleError(
            f"Its posterior holds {odd[0]!r}, which is no number.",
            mend="Leave this bundle out and tell who published it.",
        )


def _levels(tables: Tables, settings: Settings) -> Line:
    known = tables.set_ups.drop_nulls().join(
        tables.colony_winters, on=["colony_id", "winter"], how="inner"
    )
    walls = known["insulated_walls"].to_numpy()
    insulated = np.column_stack(
        [
            *(walls > wall for wall in range(4)),
            known["is_top_insulated"].to_numpy(),
            known["is_bottom_insulated"].to_numpy(),
        ]
    ).astype(bool)
    level = insulation_level(insulated, is_floor_counted=settings.levels.is_floor_counted)
    differ = int((level != known["level"].to_numpy().astype(str)).sum())
    return Line(
        "insulation levels from surfaces",
        known.height,
        known.height - differ,
        0.0,
        differ == 0,
        f"{tables.set_ups.height - known.height} patterns withheld",
    )


def _same_table(folder: Path, name: str, found: pl.DataFrame, columns: list[str]) -> Line:
    schema = {column: found.schema[column] for column in columns}
    path = folder / "results" / f"{name}.csv"
    try:
        said = pl.read_csv(path, infer_schema=False).select(columns)
        said = said.with_columns(
            pl.col(c) == "true" if kind == pl.Boolean else pl.col(c).cast(kind)
            for c, kind in schema.items()
        )
    except (pl.exceptions.PolarsError, OSError):
        return Line(f"{name}.csv", None, None, None, False, "cannot be read")
    texts = [c for c, kind in schema.items() if not kind.is_float()]
    numbers = [c for c, kind in schema.items() if kind.is_float()]
    same = said.height == found.height and said.select(texts).fill_null("").equals(
        found.select(texts).fill_null("")
    )
    for column in numbers if same else []:
        ours, theirs = (t[column].fill_null(np.nan).to_numpy() for t in (found, said))
        same = same and bool(np.allclose(ours, theirs, rtol=EXACT, atol=EXACT, equal_nan=True))
    words = f"{name}.csv, {', '.join(columns)}"
    return Line(words, said.height, found.height, 0.0, same)


@contextmanager
def _fitting_together(what: str) -> Iterator[None]:
    """Say in words that what a bundle holds does not fit together."""
    try:
        yield
    except (KeyError, ValueError, IndexError, TypeError, pl.exceptions.PolarsError) as error:
        raise BundleError(
            f"{what} ({type(error).__name__}: {error}).",
            mend="Reproduce the bundle with the version of Winterpool that its README names.",
        ) from error


def _draws_of(pool: Pool, posterior: xr.Dataset, settings: Settings) -> Draws:
    """Draws of every estimand, shape (chain, draw)."""
    from models.estimands import pool_means
    from models.identify import identify_contrasts
    from models.tables import estimand_draws, estimand_verdicts

    with _fitting_together("results/posterior.nc does not fit the tables"):
        verdicts = identify_contrasts(pool, settings)
        means = pool_means(pool, posterior, seed=settings.model.seed)
        own = estimand_verdicts(pool, posterior, verdicts, settings)
        draws = estimand_draws(pool, means, own)
    chains = posterior.sizes["chain"]
    return {key: values.reshape(chains, -1) for key, values in draws.items()}


def _estimands(folder: Path) -> list[dict[str, Any]]:
    path = folder / "results" / "estimands.csv"
    try:
        return pl.read_csv(path, infer_schema_length=None).to_dicts()
    except (pl.exceptions.PolarsError, OSError):
        raise BundleError(
            "results/estimands.csv cannot be read.",
            mend="Get the bundle again from where it was published.",
        ) from None


def _version_notes(folder: Path) -> list[str]:
    path = folder / "environment" / "versions.json"
    try:
        said: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ["environment/versions.json cannot be read: versions are not compared."]
    here = software_versions()
    return [
        f"{name}: the bundle was made with {said.get(name)}, here is {version}."
        for name, version in here.items()
        if said.get(name) != version
    ]


def reproduce(folder: Path, *, has_refit: bool, progress: Progress) -> Reproduction:
    """Verify a bundle, derive from it what can be derived, and fit it again.

    Parameters
    ----------
    folder : Path
        The bundle.
    has_refit : bool
        False compares with the published draws only.
    progress : Progress

    Returns
    -------
    Reproduction

    Raises
    ------
    BundleError
        A file was changed, is missing, was added or does not hold what it should.
    """
    from models.data import pack_pool
    from models.fit import fit
    from models.identify import count_links, identify_contrasts
    from models.tables import level_means_table

    with progress.task("checking checksums"):
        n_files = verify_checksums(folder)
    try:
        settings = read_settings(folder / "settings.toml")
    except StudyError as error:
        raise BundleError(
            f"The bundle's settings cannot be used: {error.problem}",
            mend="Reproduce the bundle with the version of Winterpool that its README names.",
        ) from None
    if has_refit:
        require_modest(settings, folder, "Compare with the published draws alone: --no-refit.")
    tables = read_tables(folder / FOLDER)
    made = Reproduction(notes=_version_notes(folder))
    made.lines.append(Line("checksums", n_files, n_files, 0.0, True))
    with _fitting_together("The tables under data/ do not fit together"):
        made.lines.append(_levels(tables, settings))
        colony_winters, mite_samples = tables.for_fit(settings.winter)
        pool = pack_pool(colony_winters, mite_samples, settings)
        links = count_links(pool, settings)
        verdicts = identify_contrasts(pool, settings)
        raw = level_means_table(pool, None, verdicts, has_converged=False)
    made.lines.append(_same_table(folder, "links", links, links.columns))
    columns = ["outcome", "level", "unit", "n_raw", "raw"]
    made.lines.append(_same_table(folder, "level_means", raw, columns))
    posterior = read_posterior(folder / "results" / "posterior.nc")
    with progress.task("reckoning every estimate from the published draws"):
        published = _draws_of(pool, posterior, settings)
        made.lines.extend(compare_table(_estimands(folder), published))
    if has_refit:
        result = fit(colony_winters, mite_samples, settings, progress)
        if result.posterior is None or not result.has_converged:
            made.lines.append(Line("the new fit", None, None, None, False, "not converged"))
        else:
            with progress.task("comparing the two fits"):
                again = _draws_of(pool, result.posterior["posterior"].ds, settings)
                made.lines.extend(compare_draws(published, again))
    made.notes.extend(f"Not done again: {what}." for what in NOT_DERIVED)
    return made
