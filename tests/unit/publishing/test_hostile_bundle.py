"""Bundles made to harm, their checksums right: refused in words before they fill the memory."""

from __future__ import annotations

import pickle
import resource
import time
from collections.abc import Callable
from pathlib import Path

import netCDF4
import numpy as np
import polars as pl
import pytest
import xarray as xr

from pipeline.progress import SILENT
from pipeline.publishing.checksums import BundleError
from pipeline.publishing.combine import Combination, read_bundle, write_combination
from pipeline.publishing.reproduce import read_posterior, reproduce
from pipeline.publishing.tables import read_tables
from tests.published_study import sealed


def terabytes_of_nothing(path: Path) -> None:
    with netCDF4.Dataset(path, "w") as file:
        group = file.createGroup("posterior")
        for name, size in (("chain", 1_000_000), ("draw", 1_000_000)):
            group.createDimension(name, size)
        group.createVariable("x", "f8", ("chain", "draw"), zlib=True)


def one_huge_chunk(path: Path) -> None:
    with netCDF4.Dataset(path, "w") as file:
        group = file.createGroup("posterior")
        for name, size in (("chain", None), ("draw", 4)):
            group.createDimension(name, size)
        group.createVariable("x", "f8", ("chain", "draw"), chunksizes=(60_000_000, 4))


def texts(path: Path) -> None:
    draws = xr.Dataset({"x": (("chain", "draw"), np.array([["a", "b"]], dtype=object))})
    xr.DataTree.from_dict({"posterior": draws}).to_netcdf(path)


def no_draws(path: Path) -> None:
    draws = xr.Dataset({"x": (("chain", "draw"), np.zeros((4, 0)))})
    xr.DataTree.from_dict({"posterior": draws}).to_netcdf(path)


def no_numbers(path: Path) -> None:
    draws = xr.Dataset({"x": (("chain", "draw"), np.full((4, 5), np.nan))})
    xr.DataTree.from_dict({"posterior": draws}).to_netcdf(path)


def another_group(path: Path) -> None:
    with netCDF4.Dataset(path, "w") as file:
        file.createGroup("prior")


def a_header_alone(path: Path) -> None:
    path.write_bytes(b"\x89HDF\r\n\x1a\n" + b"\xff" * 5000)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (terabytes_of_nothing, "8,000,000 MB once expanded"),
        (one_huge_chunk, "once expanded"),
        (texts, "which is no number"),
        (no_draws, "not a NetCDF file with a posterior"),
        (no_numbers, "draws that are no numbers"),
        (another_group, "not a NetCDF file with a posterior"),
        (a_header_alone, "not a NetCDF file with a posterior"),
    ],
)
def test_a_harmful_posterior_is_refused(
    tmp_path: Path, make: Callable[[Path], None], words: str
) -> None:
    path = tmp_path / "posterior.nc"
    make(path)
    began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(BundleError) as caught:
        read_posterior(path)
    assert words in caught.value.problem
    assert time.perf_counter() - began < 10  # a stated limit
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kb < 500_000  # a stated limit


def test_a_draw_that_is_no_number_is_found(copy: Path) -> None:
    path = copy / "results" / "posterior.nc"
    draws = read_posterior(path)
    name = next(iter(draws.data_vars))
    draws[name].values.flat[0] = np.inf
    path.unlink()
    xr.DataTree.from_dict({"posterior": draws}).to_netcdf(path)
    with pytest.raises(BundleError, match="draws that are no numbers"):
        reproduce(sealed(copy), has_refit=False, progress=SILENT)


def test_a_table_that_expands_is_refused_unread(copy: Path, monkeypatch) -> None:
    path = copy / "data" / "colony_winters.parquet"
    huge = pl.select(a=pl.lit(0, dtype=pl.Int8).repeat_by(40_000_000).explode())
    huge.write_parquet(path)
    assert path.stat().st_size < 5_000_000
    monkeypatch.setattr("pipeline.publishing.tables._MOST_BYTES", 30_000_000)
    with pytest.raises(BundleError, match="larger than 30 MB"):
        read_tables(copy / "data")


@pytest.mark.parametrize("name", ["colony_winters", "mite_samples", "set_ups"])
@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_a_table_with_changed_bytes_never_ends_in_a_trace(
    copy: Path, name: str, ending: str
) -> None:
    path = copy / "data" / f"{name}.{ending}"
    content = path.read_bytes()
    refused = 0
    for at in np.linspace(4, len(content) - 1, 25).astype(int):
        path.write_bytes(content[:at] + bytes([content[at] ^ 0x55]) + content[at + 1 :])
        try:
            read_tables(copy / "data")
        except BundleError as error:
            assert error.problem and error.mend
            refused += 1
    assert refused


class Harm:
    """Unpickled, it would leave a folder."""

    def __reduce__(self):
        import os

        return os.mkdir, ("harmed",)


@pytest.mark.slow
def test_no_pickle_is_loaded_from_any_file_of_a_bundle(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every file in turn is a pickle, and any unpickling at all would be told."""
    monkeypatch.chdir(tmp_path)

    def forbidden(*_: object, **__: object) -> None:
        raise AssertionError("something was unpickled")

    for reader in ("load", "loads", "Unpickler"):
        monkeypatch.setattr(pickle, reader, forbidden)
    names = [p for p in sorted(copy.rglob("*")) if p.is_file() and p.name != "SHA256SUMS"]
    assert len(names) > 10
    for path in names:
        content = path.read_bytes()
        path.write_bytes(pickle.dumps(Harm()))
        try:
            reproduce(sealed(copy), has_refit=False, progress=SILENT)
            read_bundle(copy)
        except BundleError as error:
            assert error.problem and error.mend
        path.write_bytes(content)
    assert not (tmp_path / "harmed").exists()


def test_words_of_other_bundles_open_safely_in_a_spreadsheet(tmp_path: Path) -> None:
    table = pl.DataFrame(
        {"contrast": ["=1+1", "full vs none"], "unit": ["@x", "kg"], "mean": [1.0, 2]}
    )
    path = tmp_path / "synthesis.csv"
    write_combination(Combination(table, None, []), path)
    assert path.read_text().splitlines()[1:] == ["'=1+1,'@x,1.0", "full vs none,kg,2.0"]
