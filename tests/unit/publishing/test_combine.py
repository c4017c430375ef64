"""Bundles put together: what is combined, what is refused, and the pooled tables."""

from __future__ import annotations

import math
import os
import shutil
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from models.data import pack_pool
from models.synthesis.random_effects import moment_synthesis
from pipeline.cli import app
from pipeline.errors import ModelError, StoreError, StudyError
from pipeline.progress import SILENT
from pipeline.publishing.checksums import BundleError, write_checksums
from pipeline.publishing.combine import (
    Combination,
    combine_bundles,
    combine_estimands,
    pooled_tables,
    write_combination,
)
from pipeline.publishing.tables import read_tables
from pipeline.settings import read_settings, render_settings


def other_bundle(folder: Path, target: Path, shift: float) -> Path:
    """A bundle as another association might publish it: other colonies, its estimates moved."""
    shutil.copytree(folder, target)
    for name in ("colony_winters", "mite_samples", "set_ups"):
        frame = pl.read_parquet(target / "data" / f"{name}.parquet")
        named = frame.with_columns(colony_id=pl.lit(target.name) + pl.col("colony_id"))
        named.write_csv(target / "data" / f"{name}.csv")
        named.write_parquet(target / "data" / f"{name}.parquet")
    path = target / "results" / "estimands.csv"
    numbers = [pl.col(c) + shift for c in ("mean", "q2.5", "q50", "q97.5")]
    is_difference = pl.col("measure") == "difference"
    pl.read_csv(path).with_columns(
        pl.when(is_difference).then(n).otherwise(n.meta.output_name()) for n in numbers
    ).write_csv(path)
    return resealed(target)


def resealed(folder: Path) -> Path:
    """Checksums of what is there now."""
    (folder / "SHA256SUMS").unlink()
    write_checksums(folder)
    return folder


def test_estimates_are_combined_contrast_by_contrast(published, tmp_path) -> None:
    paths = [published.folder]
    paths += [other_bundle(published.folder, tmp_path / f"b{i}", 0.4 * i) for i in (1, 2)]
    found = combine_bundles(paths, has_refit=False, progress=SILENT)
    own = published.estimands.filter(
        (pl.col("status") == "estimated")
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == "these winters")
    )
    assert found.table.height == own.height
    assert (found.table["n_bundles"] == 3).all()
    [row] = found.table.filter(
        (pl.col("outcome") == "stores use")
        & (pl.col("contrast") == "full vs none")
        & (pl.col("measure") == "difference")
    ).to_dicts()
    [alone] = own.filter(
        (pl.col("outcome") == "stores use")
        & (pl.col("contrast") == "full vs none")
        & (pl.col("measure") == "difference")
    ).to_dicts()
    moments = moment_synthesis([alone["mean"] + 0.4 * i for i in range(3)], [alone["sd"]] * 3)
    assert row["dl_mean"] == pytest.approx(moments.mean)
    assert row["dl_upper"] == pytest.approx(moments.upper)
    assert row["mean"] == pytest.approx(alone["mean"] + 0.4, abs=1e-6)  # alike, so symmetrical
    assert row["predicted_q2.5"] < row["q2.5"] < row["mean"] < row["q97.5"] < row["predicted_q97.5"]
    assert any("invented" in words for words in found.words)
    write_combination(found, tmp_path / "out.csv")
    assert pl.read_csv(tmp_path / "out.csv").height == found.table.height
    with pytest.raises(StudyError, match="exists already"):
        write_combination(found, tmp_path / "out.csv")


def test_ratios_are_combined_on_their_logarithm() -> None:
    row = {
        "outcome": "survival",
        "contrast": "full vs none",
        "measure": "ratio",
        "unit": "ratio",
        "subgroup": "all",
        "horizon": "these winters",
        "status": "estimated",
    }
    numbers = {"q2.5": 1.0, "q50": 1.1, "q97.5": 1.21, "mean": 1.1, "sd": 0.05}
    turned = {"q2.5": 1 / 1.21, "q50": 1 / 1.1, "q97.5": 1.0, "mean": 0.9, "sd": 0.05}
    tables = [pl.DataFrame([row | numbers]), pl.DataFrame([row | turned])]
    [made] = combine_estimands(tables).to_dicts()
    assert made["mean"] == pytest.approx(1.0)
    assert made["q2.5"] * made["q97.5"] == pytest.approx(1.0)
    assert made["p_benefit"] == pytest.approx(0.5)
    assert math.isclose(made["dl_mean"], 1.0)
    assert made["dl_predicted_lower"] is None


def test_what_cannot_be_combined_is_refused_in_words(published, tmp_path) -> None:
    with pytest.raises(ModelError, match="One bundle alone"):
        combine_bundles([published.folder], has_refit=False, progress=SILENT)
    shutil.copytree(published.folder, tmp_path / "same")
    with pytest.raises(BundleError, match="given twice"):
        combine_bundles([published.folder, tmp_path / "same"], has_refit=False, progress=SILENT)
    (tmp_path / "same" / "results" / "estimands.csv").write_text("a\n1\n")
    with pytest.raises(BundleError, match=r"estimands.csv was changed"):
        combine_bundles([published.folder, tmp_path / "same"], has_refit=False, progress=SILENT)
    nothing = published.estimands.with_columns(status=pl.lit("not converged"))
    with pytest.raises(ModelError, match="No contrast is estimated in two"):
        combine_estimands([nothing, published.estimands])


def test_colonies_of_one_association_are_not_counted_twice(published, tmp_path) -> None:
    shutil.copytree(published.folder, tmp_path / "later")
    (tmp_path / "later" / "README.md").write_text("Another year.")
    resealed(tmp_path / "later")
    with pytest.raises(BundleError, match=r"later holds colonies of a bundle named before it"):
        combine_bundles([published.folder, tmp_path / "later"], has_refit=False, progress=SILENT)


def test_a_folder_that_is_no_bundle_is_refused_in_words(published, tmp_path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(BundleError, match="so it is not a bundle"):
        combine_bundles([published.folder, tmp_path / "empty"], has_refit=False, progress=SILENT)


@pytest.mark.parametrize(
    ("measure", "column", "value"),
    [
        ("difference", "mean", None),
        ("difference", "q50", float("inf")),
        ("difference", "sd", 0.0),
        ("ratio", "q2.5", -0.1),
        ("difference", "sd", "much"),
    ],
)
def test_impossible_numbers_are_refused(published, tmp_path, measure, column, value) -> None:
    other = other_bundle(published.folder, tmp_path / "other", 0.1)
    path = other / "results" / "estimands.csv"
    text = None if value is None else str(value)
    is_row = (pl.col("measure") == measure) & (pl.col("status") == "estimated")
    pl.read_csv(path, infer_schema=False).with_columns(
        pl.when(is_row).then(pl.lit(text, pl.String)).otherwise(column).alias(column)
    ).write_csv(path)
    words = "cannot be read" if value == "much" else "missing or impossible"
    with pytest.raises(BundleError, match=words):
        combine_bundles([published.folder, resealed(other)], has_refit=False, progress=SILENT)


@pytest.mark.parametrize("shift", [0.0, 0.5])
def test_a_bundle_that_says_a_contrast_twice_is_refused(published, tmp_path, shift) -> None:
    other = other_bundle(published.folder, tmp_path / "other", 0.1)
    path = other / "results" / "estimands.csv"
    said = pl.read_csv(path, infer_schema_length=None)
    again = said.filter(
        (pl.col("outcome") == "survival")
        & (pl.col("contrast") == "full vs none")
        & (pl.col("measure") == "difference")
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == "these winters")
    ).with_columns(pl.col("mean") + shift)
    assert again.height == 1
    pl.concat([said, again]).write_csv(path)
    words = "survival, full vs none, difference, all, these winters more than once"
    with pytest.raises(BundleError, match=words):
        combine_bundles([published.folder, resealed(other)], has_refit=False, progress=SILENT)


def test_a_fit_without_end_is_refused(published, tmp_path) -> None:
    other = other_bundle(published.folder, tmp_path / "other", 0.1)
    path = other / "settings.toml"
    settings = read_settings(path)
    for name in ("chains", "retries", "draws"):
        model = replace(settings.model, **{name: 10**9})
        path.write_text(render_settings(replace(settings, model=model), commented=False))
        with pytest.raises(BundleError, match=r"ask for .* chains of"):
            combine_bundles([resealed(other), published.folder], has_refit=True, progress=SILENT)


def test_tables_of_several_associations_share_no_name(published) -> None:
    tables = read_tables(published.folder / "data")
    settings = read_settings(published.folder / "settings.toml")
    units, mites = pooled_tables([tables, tables], settings)
    assert units.height == 2 * tables.colony_winters.height
    assert units["member_id"].n_unique() == 2 * tables.colony_winters["member_id"].n_unique()
    assert mites.height == 2 * tables.mite_samples.height
    pool = pack_pool(units, mites, settings)
    assert pool.n_units == units.height
    alone = pack_pool(*tables.for_fit(settings.winter), settings)
    assert len(pool.members) == 2 * len(alone.members)
    assert len(pool.mite_counts.rows) == 2 * len(alone.mite_counts.rows)


def test_settings_that_differ_forbid_a_joint_fit(published, tmp_path) -> None:
    other = other_bundle(published.folder, tmp_path / "other", 0.1)
    path = other / "settings.toml"
    path.write_text(path.read_text().replace('starts_on = "10-01"', 'starts_on = "09-01"'))
    (other / "SHA256SUMS").unlink()
    write_checksums(other)
    with pytest.raises(ModelError, match=r"differ in the settings under \[winter\]"):
        combine_bundles([published.folder, other], has_refit=True, progress=SILENT)
    found = combine_bundles([published.folder, other], has_refit=False, progress=SILENT)
    assert any("differ in the settings under [winter]" in words for words in found.words)


def test_the_command_prints_the_synthesis(published, tmp_path) -> None:
    other = other_bundle(published.folder, tmp_path / "other", 0.1)
    done = CliRunner().invoke(app, ["combine", str(published.folder), str(other), "--quiet"])
    assert done.exit_code == 0, done.output
    assert "another association" in done.output
    assert "full vs none" in done.output
    assert "differ in the settings" not in done.output


def test_the_place_of_the_synthesis_is_looked_at_first(tmp_path) -> None:
    for out, words in ((tmp_path / "no" / "out.csv", "is not a folder"), (tmp_path, "exists")):
        done = CliRunner().invoke(app, ["combine", "a", "b", "--out", str(out), "--quiet"])
        assert isinstance(done.exception, StudyError), done.output
        assert words in done.exception.problem


def test_a_full_disk_leaves_no_draft(tmp_path, monkeypatch) -> None:
    def full(*_):
        raise OSError(28, "No space left on device")

    found = Combination(pl.DataFrame({"a": [1]}), None, [])
    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(StoreError, match="disk is full"):
        write_combination(found, tmp_path / "out.csv")
    assert list(tmp_path.iterdir()) == []
