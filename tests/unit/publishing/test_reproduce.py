"""Reproducing a bundle: what must agree, by how much it may differ, and what hostile files do."""

from __future__ import annotations

import json
import os
import pickle
from dataclasses import replace
from pathlib import Path

import arviz as az
import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.progress import SILENT
from pipeline.publishing.agreement import (
    WITHIN,
    compare_draws,
    compare_table,
    monte_carlo_error,
)
from pipeline.publishing.checksums import BundleError, verify_checksums
from pipeline.publishing.reproduce import read_posterior, reproduce
from pipeline.settings import read_settings, render_settings
from tests.published_study import sealed

KEY = ("survival", "full vs none", "difference", "all", "these winters")


def written(folder: Path, name: str, frame: pl.DataFrame) -> None:
    """Put a table in place of one of the bundle's."""
    frame.write_csv(folder / "data" / f"{name}.csv")
    frame.write_parquet(folder / "data" / f"{name}.parquet")


def wrong(folder: Path) -> list[str]:
    found = reproduce(folder, has_refit=False, progress=SILENT)
    return [f"{line.what}: {line.note}" for line in found.lines if not line.agrees]


def test_a_changed_estimate_with_new_checksums_is_found(copy: Path) -> None:
    path = copy / "results" / "estimands.csv"
    table = pl.read_csv(path)
    is_row = (pl.col("outcome") == "survival") & (pl.col("contrast") == "full vs none")
    table.with_columns(mean=pl.when(is_row).then(pl.col("mean") + 0.5).otherwise("mean")).write_csv(
        path
    )
    told = wrong(sealed(copy))
    assert told
    assert all("survival | full vs none" in line and "mean" in line for line in told)


def test_a_changed_level_or_count_is_found(copy: Path) -> None:
    for name in ("csv", "parquet"):
        path = copy / "data" / f"colony_winters.{name}"
        frame = pl.read_parquet(copy / "data" / "colony_winters.parquet")
        other = frame.with_columns(
            level=pl.when(pl.int_range(pl.len()) == 0)
            .then(pl.lit("full"))
            .otherwise(pl.when(pl.int_range(pl.len()) == 1).then(pl.lit("none")).otherwise("level"))
        )
        if name == "csv":
            other.write_csv(path)
            kept = other
        else:
            kept.write_parquet(path)
    told = " ".join(wrong(sealed(copy)))
    assert "insulation levels from surfaces" in told
    assert "level_means.csv" in told


def test_tables_that_do_not_agree_with_each_other_are_refused(copy: Path) -> None:
    path = copy / "data" / "mite_samples.csv"
    pl.read_csv(path).head(10).write_csv(path)
    with pytest.raises(BundleError, match=r"mite_samples.csv and data/mite_samples.parquet"):
        wrong(sealed(copy))


def test_the_command_exits_1_on_a_mismatch_and_0_without(copy: Path) -> None:
    runner = CliRunner()
    done = runner.invoke(app, ["reproduce", str(copy), "--no-refit", "--quiet"])
    assert done.exit_code == 0, done.output
    assert "The bundle is reproduced." in done.output
    assert "Not done again: degree-days" in done.output
    path = copy / "results" / "links.csv"
    path.write_text(path.read_text().replace("true", "false", 1))
    sealed(copy)
    done = runner.invoke(app, ["reproduce", str(copy), "--no-refit", "--quiet"])
    assert done.exit_code == 1
    assert "NO" in done.output


@pytest.mark.parametrize(
    "line",
    [
        "{0}  ../outside.txt",
        "{0}  /etc/passwd",
        "{0}  data/../../outside.txt",
        "{0}  C:\\outside.txt",
        "short  README.md",
        "{0} README.md",
    ],
)
def test_a_list_of_checksums_that_leads_outside_is_refused(copy: Path, line: str) -> None:
    (copy.parent / "outside.txt").write_text("private")
    with (copy / "SHA256SUMS").open("a") as file:
        file.write(line.format("0" * 64) + "\n")
    with pytest.raises(BundleError, match="does not name a file of the bundle"):
        verify_checksums(copy)


def test_links_are_not_followed(copy: Path) -> None:
    (copy.parent / "outside.txt").write_text("private")
    (copy / "data" / "more.csv").symlink_to(copy.parent / "outside.txt")
    with pytest.raises(BundleError, match=r"data/more.csv .* is a link"):
        verify_checksums(copy)


def test_a_time_that_is_no_time_is_refused(copy: Path) -> None:
    (copy / "published_at.txt").write_text("hello")
    with pytest.raises(BundleError, match=r"published_at.txt was changed"):
        verify_checksums(copy)


def test_a_time_that_is_no_text_is_refused(copy: Path) -> None:
    (copy / "published_at.txt").write_bytes(b"\xff\xfe")
    with pytest.raises(BundleError, match=r"published_at.txt was changed"):
        verify_checksums(copy)


@pytest.mark.parametrize(
    ("name", "column"),
    [
        ("colony_winters", "stores_use_kg"),
        ("mite_samples", "bees_sampled"),
        ("set_ups", "insulated_walls"),
    ],
)
def test_a_table_that_lacks_a_column_is_refused(copy: Path, name: str, column: str) -> None:
    less = pl.read_parquet(copy / "data" / f"{name}.parquet").drop(column)
    written(copy, name, less)
    with pytest.raises(BundleError, match=f"data/{name} has a column .* or lacks one: {column}"):
        wrong(sealed(copy))


def test_levels_that_are_none_are_refused_in_words(copy: Path) -> None:
    frame = pl.read_parquet(copy / "data" / "colony_winters.parquet")
    written(copy, "colony_winters", frame.with_columns(level=pl.lit("warm")))
    with pytest.raises(BundleError, match="do not fit together"):
        wrong(sealed(copy))


def test_a_posterior_that_breaks_off_is_refused(copy: Path) -> None:
    path = copy / "results" / "posterior.nc"
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(BundleError, match="not a NetCDF file with a posterior"):
        read_posterior(path)


def test_a_fit_without_end_is_not_begun(copy: Path) -> None:
    path = copy / "settings.toml"
    settings = read_settings(path)
    model = replace(settings.model, retries=12)
    path.write_text(render_settings(replace(settings, model=model), commented=False))
    with pytest.raises(BundleError, match=r"with 12 retries: more than 16 chains") as refused:
        reproduce(sealed(copy), has_refit=True, progress=SILENT)
    assert "--no-refit" in refused.value.mend


class Harm:
    """Unpickled, it would leave a folder."""

    def __reduce__(self):
        return os.mkdir, ("harmed",)


@pytest.mark.parametrize("name", ["results/posterior.nc", "data/colony_winters.parquet"])
def test_a_pickle_in_place_of_a_file_is_not_opened(
    copy: Path, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (copy / name).write_bytes(pickle.dumps(Harm()))
    (copy / "results" / "estimands.csv").write_bytes(pickle.dumps(Harm()))
    with pytest.raises(BundleError):
        wrong(sealed(copy))
    assert not (tmp_path / "harmed").exists()


def test_settings_that_are_none_and_no_bundle_are_refused_in_words(copy: Path) -> None:
    (copy / "settings.toml").write_text("[nonsense]\nx = 1\n")
    with pytest.raises(BundleError, match="settings cannot be used"):
        wrong(sealed(copy))
    with pytest.raises(BundleError, match="is not a folder"):
        verify_checksums(copy / "nothing")
    with pytest.raises(BundleError, match="so it is not a bundle"):
        verify_checksums(copy / "data")


def test_a_posterior_of_other_records_is_refused(copy: Path) -> None:
    import xarray as xr

    draws = read_posterior(copy / "results" / "posterior.nc")
    less = draws.isel({draws["mite_load"].dims[-1]: slice(1)})
    (copy / "results" / "posterior.nc").unlink()
    xr.DataTree.from_dict({"posterior": less}).to_netcdf(copy / "results" / "posterior.nc")
    with pytest.raises(BundleError, match="does not fit the tables"):
        wrong(sealed(copy))


def test_versions_that_differ_are_told(copy: Path) -> None:
    path = copy / "environment" / "versions.json"
    said = json.loads(path.read_text())
    path.write_text(json.dumps(said | {"pymc": "1.0"}))
    found = reproduce(sealed(copy), has_refit=False, progress=SILENT)
    assert any("made with 1.0" in note for note in found.notes)
    assert found.has_agreed


def test_monte_carlo_errors_are_those_of_theory() -> None:
    """Independent draws: sd/√n for the mean; √(p(1-p)/n)/density for a quantile (any textbook)."""
    draws = np.random.default_rng(2).normal(size=(4, 2500))
    assert monte_carlo_error(draws, "mean") == pytest.approx(0.01, rel=0.1)
    at_median = np.sqrt(0.25 / 10_000) / (1 / np.sqrt(2 * np.pi))
    assert monte_carlo_error(draws, "q50") == pytest.approx(at_median, rel=0.15)
    share = (draws > 0).astype(float)
    assert monte_carlo_error(share, "p_benefit") == pytest.approx(0.005, rel=0.1)
    assert monte_carlo_error(np.ones((4, 2500)), "p_benefit") > 0
    assert float(az.ess(draws)) > 8000


def test_two_fits_of_the_same_agree_and_another_does_not() -> None:
    rng = np.random.default_rng(3)

    def fit(mean: float) -> dict:
        return {KEY: mean + rng.normal(size=(4, 1000))}

    assert all(line.agrees for line in compare_draws(fit(1.0), fit(1.0)))
    off = compare_draws(fit(1.0), fit(1.0 + 6 * np.sqrt(2) / np.sqrt(4000)))
    assert not next(line for line in off if line.what.endswith("| mean")).agrees
    # the rule itself: 4 joint errors
    [line] = [x for x in compare_draws(fit(0.0), fit(0.0)) if x.what.endswith("| mean")]
    assert line.allowed == pytest.approx(WITHIN * np.sqrt(2 / 4000), rel=0.1)
    [alone] = compare_draws(fit(1.0), {})
    assert not alone.agrees
    assert alone.note == "estimated in the bundle only"


def test_a_row_without_draws_and_draws_without_a_row_are_told() -> None:
    row = dict(zip(("outcome", "contrast", "measure", "subgroup", "horizon"), KEY, strict=True))
    [line] = compare_table([row | {"status": "estimated", "mean": 1.0}], {})
    assert (line.agrees, line.note) == (False, "in the table only")
    draws = {KEY: np.zeros((2, 10))}
    [line] = compare_table([], draws)
    assert (line.agrees, line.note) == (False, "in the draws only")
    [line] = compare_table([row | {"status": "estimated", "mean": "x"}], draws)
    assert "mean" in line.note
