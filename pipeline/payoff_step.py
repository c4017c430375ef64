"""The payoff of a study: made from its fit and prices, kept, and shown only while both are current.

The draws that need the posterior are kept apart from what prices make of them, so that other
prices cost no time.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from pipeline.disk import disk_errors, replacing_together
from pipeline.errors import ModelError, ReadError, RejectedRows, StudyError
from pipeline.ingest import ingest_study
from pipeline.lock import Lock
from pipeline.progress import SILENT, Progress
from pipeline.runner import read_current_fit
from pipeline.settings import Settings, read_settings
from pipeline.sources import source_digest
from pipeline.store import Store
from pipeline.study import Study

if TYPE_CHECKING:
    from models.payoff.inputs import Inputs
    from models.payoff.results import Payoff

RUN: Final = "payoff_run.json"
DRAWS: Final = "payoff_draws.parquet"
_CODE: Final = ("models/payoff", "pipeline/payoff_step.py")


@dataclass(frozen=True, slots=True)
class Reckoned:
    """A payoff, what it was reckoned with, and the files that keep it.

    Attributes
    ----------
    payoff : Payoff
    inputs : Inputs
    run : dict
        ``payoff_run.json``: fingerprint, currency, missing prices, colony-winters, draws.
    is_new : bool
        Whether it had to be made.
    """

    payoff: Payoff
    inputs: Inputs
    run: dict[str, Any]
    is_new: bool


def _digest(*parts: object) -> str:
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()


def _read_run(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def read_prices(path: Path, settings: Settings) -> pl.DataFrame:
    """Read a file of prices, checked as ingest checks it.

    Parameters
    ----------
    path : Path
        CSV or workbook with the columns of the ``prices`` record.
    settings : Settings

    Raises
    ------
    ReadError
        There is no such file, it cannot be read, or it holds no prices.
    RejectedRows
        A row breaks the contract.
    """
    if not path.is_file():
        raise ReadError(f"{path} is not a file.", mend="Give the path of a file of prices.")
    with tempfile.TemporaryDirectory(prefix="winterpool-") as folder:
        trial = Study(Path(folder))
        for place in (trial.inbox_path, trial.weather_path, trial.mappings_path):
            place.mkdir()
        shutil.copyfile(path, trial.inbox_path / path.name)
        summary = ingest_study(trial, settings, SILENT, date.today())
        for file in summary.files:
            if file.problem:
                raise ReadError(f"{path.name}: {file.problem}", mend=file.mend)
        with Store.open(trial.store_path, read_only=True) as store:
            rejected = store.table("rejected_rows").to_dicts()
            prices = store.table("prices")
    if rejected:
        first, more = rejected[0], len({line["row"] for line in rejected}) - 1
        others = f" and {more} more rows" if more else ""
        raise RejectedRows(
            f"{path.name}, row {first['row']}{others}: {first['column']} = {first['value']!r} "
            f"breaks the rule “{first['rule']}”.",
            mend=first["mend"],
        )
    if prices.is_empty():
        raise ReadError(f"{path.name} holds no prices.", mend="Fill in the template prices.csv.")
    return prices


def _make_draws(study: Study, settings: Settings) -> tuple[pl.DataFrame, int]:
    """Draws of what each level does, and how many the posterior has."""
    import xarray as xr

    from models.data import pack_pool
    from models.payoff.quantities import SCHEMA, pool_gains, thinned
    from models.vocabulary import SURVIVAL

    with Store.open(study.store_path, read_only=True) as store:
        pool = pack_pool(store.table("colony_winters"), store.table("mite_samples"), settings)
    path = study.results_path / "posterior.nc"
    if SURVIVAL not in pool.outcomes or len(pool.levels) < 2 or not path.exists():
        return pl.DataFrame(schema=SCHEMA), 0
    with xr.open_datatree(path, engine="netcdf4") as tree:
        whole = tree["posterior"].ds
        total = whole.sizes["chain"] * whole.sizes["draw"]
        posterior = thinned(whole)
    return pool_gains(pool, posterior, seed=settings.model.seed), total


def _draws(study: Study, settings: Settings, digest: str) -> tuple[pl.DataFrame, int]:
    """The kept draws when they are of this fit; new ones otherwise."""
    kept, path = _read_run(study.results_path / RUN), study.results_path / DRAWS
    if kept.get("draws_of") == digest and path.exists():
        return pl.read_parquet(path), int(kept["posterior_draws"])
    return _make_draws(study, settings)


def reckon_study(
    study: Study, settings: Settings, own: pl.DataFrame | None = None
) -> tuple[Reckoned, pl.DataFrame]:
    """Reckon the payoff of a study, or take what is kept when nothing has changed.

    Parameters
    ----------
    study : Study
    settings : Settings
    own : polars.DataFrame, optional
        A member's own prices; what is kept is not used then.

    Returns
    -------
    reckoned : Reckoned
    draws : polars.DataFrame
        Of ``models.payoff.quantities``; empty when the payoff was kept.

    Raises
    ------
    StudyError
        There are no prices, or in several currencies; there is no fit, or it is out of date.
    NotConvergedError
        The fit did not pass its gates.
    """
    from models.payoff.inputs import gather_inputs
    from models.payoff.results import SCHEMAS, Payoff, reckon

    study.require_loaded()
    with Store.open(study.store_path, read_only=True) as store:
        prices = store.table("prices")
    inputs = gather_inputs(prices, settings, own)
    fit = read_current_fit(study, settings)
    of_draws = _digest(fit["sha256"], settings.model.seed, source_digest("models/payoff"))
    given = {name: asdict(one) for name, one in inputs.given.items()}
    fingerprint = _digest(of_draws, given, inputs.currency, source_digest(*_CODE))
    kept = _read_run(study.results_path / RUN)
    paths = {name: study.results_path / f"{name}.csv" for name in SCHEMAS}
    is_kept = kept.get("fingerprint") == fingerprint and all(p.exists() for p in paths.values())
    if own is None and is_kept:
        tables = {n: pl.read_csv(p, schema_overrides=SCHEMAS[n]) for n, p in paths.items()}
        payoff = Payoff(tables, kept["currency"], kept["missing"])
        return Reckoned(payoff, inputs, kept, is_new=False), pl.DataFrame()
    draws, posterior_draws = _draws(study, settings, of_draws)
    estimands = pl.read_csv(study.results_path / "estimands.csv", infer_schema_length=None)
    payoff = reckon(estimands, draws, inputs, n_units=int(fit["n_units"]), seed=settings.model.seed)
    run = {
        "fingerprint": fingerprint,
        "draws_of": of_draws,
        "draws": draws["draw"].n_unique(),
        "posterior_draws": posterior_draws,
        "n_units": int(fit["n_units"]),
        "currency": payoff.currency,
        "missing": payoff.missing,
    }
    return Reckoned(payoff, inputs, run, is_new=True), draws


def write_payoff(folder: Path, reckoned: Reckoned, draws: pl.DataFrame | None = None) -> None:
    """Write the tables of a payoff together, in place of those that were there.

    Parameters
    ----------
    folder : Path
        Made when missing.
    reckoned : Reckoned
    draws : polars.DataFrame, optional
        Kept too, for other prices.
    """
    with (
        disk_errors(folder, "step"),
        replacing_together(folder, last=RUN) as draft,
    ):
        for name, table in reckoned.payoff.tables.items():
            table.write_csv(draft / f"{name}.csv")
        if draws is not None:
            draws.write_parquet(draft / DRAWS)
        text = json.dumps(reckoned.run, indent=2, ensure_ascii=False) + "\n"
        (draft / RUN).write_text(text, encoding="utf-8")


def payoff_study(
    path: Path, progress: Progress, prices: Path | None = None, out: Path | None = None
) -> Reckoned:
    """Reckon the payoff of a study and write it.

    Parameters
    ----------
    path : Path
        The study folder.
    progress : Progress
    prices : Path, optional
        A member's own prices. The study's own results are then left as they are.
    out : Path, optional
        Where the tables go when they are of a member's own prices; nowhere otherwise.

    Returns
    -------
    Reckoned

    Raises
    ------
    WinterpoolError
        As ``reckon_study`` and ``read_prices`` do.
    StoreInUseError
        Another command is at work on the study's results.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    if prices is not None:
        own = read_prices(prices, settings)
        with progress.task("reckoning the payoff"):
            reckoned, _ = reckon_study(study, settings, own)
        if out is not None:
            write_payoff(out, reckoned)
        return reckoned
    with Lock.held(study.step_lock_path):
        with progress.task("reckoning the payoff"):
            reckoned, draws = reckon_study(study, settings)
        if reckoned.is_new:
            write_payoff(study.results_path, reckoned, draws)
    return reckoned


def refresh_payoff(study: Study, settings: Settings, progress: Progress) -> None:
    """Bring a study's payoff up to date, where its records, prices and fit allow one.

    Where they do not, the report's section says why; nothing is written then.
    """
    try:
        with progress.task("reckoning the payoff"):
            reckoned, draws = reckon_study(study, settings)
    except (StudyError, ModelError):
        return
    if reckoned.is_new:
        write_payoff(study.results_path, reckoned, draws)
