"""What is fuzzed: each target takes bytes and may end in a plain sentence only.

For tables the rows are accounted for as well: no row is handed on twice, none both handed on and
set aside, and what is staged adds up.
"""

from __future__ import annotations

import io
import tempfile
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import yaml

from pipeline.contract_reader import _Loader, parse_contract
from pipeline.contracts import load_contracts
from pipeline.errors import WinterpoolError
from pipeline.hive_description import read_hives
from pipeline.mapping import load_mappings
from pipeline.opening import Opener
from pipeline.progress import SILENT
from pipeline.publishing.reproduce import read_posterior
from pipeline.readers import ROW, read_tables
from pipeline.settings import IngestSettings, read_settings, settings_from_mapping
from pipeline.staging import stage_file
from tests.strategies import csv_text, good_row

LIMITS = IngestSettings(maximum_file_mb=2, maximum_expanded_mb=20, maximum_columns=60)
TODAY = date(2025, 4, 1)
_WEIGHINGS = load_contracts()["weighings"]
_ROWS = [good_row(_WEIGHINGS, number) for number in (1, 2)]
_CSV = csv_text(_ROWS, _WEIGHINGS.columns)
_MAPPING = """
[[table]]
files = "w*.csv"
sheet = "*"
unused = ["Note"]
[[table.record]]
record = "weighings"
where = {column = "Hive", not_in = ["x"]}
[table.record.columns]
colony_id = "Hive"
weighed_on = {from = "Day", format = "%d.%m.%Y"}
gross_kg = {from = "W", unit = "lb", recode = {"30" = 30.5}}
method = {constant = "scale"}
"""


def _in_folder(content: bytes, name: str, use: Callable[[Path], object]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        use(path)


def _account(path: Path) -> None:
    """Read a file alone, then through the check into staged rows."""
    try:
        for table in read_tables(path, limits=LIMITS):
            handed: list[int] = []
            for batch in table.batches:
                assert batch.columns == [*table.header, ROW]
                handed += batch[ROW].to_list()
            whole = [m.row for m in table.malformed if not m.column]
            assert len(set(handed)) == len(handed)
            assert not set(handed) & set(whole)
    except WinterpoolError as error:
        _plain(error)
        return
    with SILENT.task("fuzzing") as task:
        rows = path.parent / "rows"
        rows.mkdir()
        try:
            opened = Opener((), LIMITS).tables(path, path.name)
            staged = stage_file(opened, load_contracts(), rows, TODAY, task)
        except WinterpoolError as error:
            _plain(error)
            return
    accepted = sum(record.rows - len(record.duplicates) for record in staged.records.values())
    lines = [pl.read_parquet(line) for line in staged.lines]
    is_whole = (pl.col("record") != "") | (pl.col("column") == "")  # else a cell of a kept row
    refused = {row for line in lines for row in line.filter(is_whole).select("sheet", "row").rows()}
    assert staged.rows_read == accepted + len(refused)


def _plain(error: WinterpoolError) -> None:
    assert error.problem.strip() and error.mend.rstrip().endswith((".", "…"))


def _told(read: Callable[[Path], object]) -> Callable[[Path], None]:
    def use(path: Path) -> None:
        try:
            read(path)
        except WinterpoolError as error:
            _plain(error)

    return use


def fuzz_csv(content: bytes) -> None:
    """Delimited text, weather by year among it."""
    _in_folder(content, "weighings.csv", _account)


def fuzz_gzip(content: bytes) -> None:
    """Compressed text."""
    _in_folder(content, "weighings.csv.gz", _account)


def fuzz_workbook(content: bytes) -> None:
    """A workbook."""
    _in_folder(content, "weighings.xlsx", _account)


def fuzz_sheet(content: bytes) -> None:
    """The XML of one sheet inside a sound workbook."""
    import zipfile

    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_workbook())) as source, zipfile.ZipFile(held, "w") as made:
        for info in source.infolist():
            is_sheet = info.filename == "xl/worksheets/sheet1.xml"
            made.writestr(info.filename, content if is_sheet else source.read(info))
    _in_folder(held.getvalue(), "weighings.xlsx", _account)


def fuzz_parquet(content: bytes) -> None:
    """A Parquet file."""
    _in_folder(content, "weighings.parquet", _account)


def fuzz_dly(content: bytes) -> None:
    """Daily weather of fixed width."""
    _in_folder(content, "weather.dly", _account)


def fuzz_mapping(content: bytes) -> None:
    """A mapping file, and a table read by it."""

    def use(path: Path) -> None:
        mappings = load_mappings(path.parent)
        table = path.parent / "w.csv"
        table.write_text("Hive,Day,W,Note\nA-1,05.10.2023,70,x\nA-1,06.10.2023,30,y\n")
        rows = path.parent / "rows"
        rows.mkdir()
        with SILENT.task("fuzzing") as task:
            opened = Opener(mappings, LIMITS).tables(table, table.name)
            staged = stage_file(opened, load_contracts(), rows, TODAY, task)
        assert staged.rows_read <= 3

    _in_folder(content, "m.toml", _told(use))


def fuzz_settings(content: bytes) -> None:
    """``study.toml`` and a hive's description."""
    _in_folder(content, "study.toml", _told(read_settings))
    _in_folder(content, "hive.toml", _told(read_hives))


def fuzz_contract(content: bytes) -> None:
    """A contract in YAML."""
    try:
        given: Any = yaml.load(content, Loader=_Loader)
    except (yaml.YAMLError, ValueError, RecursionError):
        return
    if isinstance(given, dict):
        try:
            parse_contract(given, "x.yaml")
        except WinterpoolError as error:
            _plain(error)


def fuzz_posterior(content: bytes) -> None:
    """The draws of a bundle."""
    _in_folder(content, "posterior.nc", _told(read_posterior))


def _workbook() -> bytes:
    book = openpyxl.Workbook()
    book.active.title = "weighings"
    for row in (_WEIGHINGS.columns, *(tuple(row.values()) for row in _ROWS)):
        book.active.append(row)
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def _parquet() -> bytes:
    held = io.BytesIO()
    pl.DataFrame(_ROWS).write_parquet(held)
    return held.getvalue()


def _posterior() -> bytes:
    import numpy as np
    import xarray as xr

    draws = xr.Dataset({"x": (("chain", "draw", "unit"), np.zeros((2, 5, 3)))})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "posterior.nc"
        xr.DataTree.from_dict({"posterior": draws}).to_netcdf(path)
        return path.read_bytes()


def seeds(target: str) -> list[bytes]:
    """Sound inputs from which a target's search begins."""
    import gzip
    import zipfile
    from importlib.resources import files

    if target == "csv":
        year = b"XX000000001,20200101,TMAX,-56,,,7,\nXX000000001,20200101,TMIN,-171,,,7,0700\n"
        return [_CSV.encode(), _CSV.replace(",", ";").encode("utf-16"), b'a,b\n1" x,2\n', year]
    if target == "gzip":
        return [gzip.compress(_CSV.encode())]
    if target == "workbook":
        return [_workbook()]
    if target == "sheet":
        with zipfile.ZipFile(io.BytesIO(_workbook())) as archive:
            return [archive.read("xl/worksheets/sheet1.xml")]
    if target == "parquet":
        return [_parquet()]
    if target == "dly":
        return [b"XX000000001202001TMAX" + b"  -56  0" * 31 + b"\n"]
    if target == "mapping":
        return [_MAPPING.encode()]
    if target == "settings":
        assert settings_from_mapping(tomllib.loads("[model]\nseed = 1"), Path("study.toml"))
        return [b'[study]\nname = "x"\n[winter]\nstarts_on = "10-01"\n[[hive]]\nname = "a"\n']
    if target == "contract":
        return [(files("data_contracts") / "weighings.yaml").read_bytes()]
    return [_posterior()]


TARGETS: dict[str, Callable[[bytes], None]] = {
    name.removeprefix("fuzz_"): value
    for name, value in sorted(globals().items())
    if name.startswith("fuzz_")
}
