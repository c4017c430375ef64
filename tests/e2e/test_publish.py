"""A real bundle of a real fit: published, shown, and reproduced by fitting it again (minutes)."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline.publishing.checksums import write_checksums
from pipeline.store import Store
from pipeline.study import Study
from tests.e2e.conftest import DemoRun, run_winterpool

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def bundle(demo_run: DemoRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small demonstration's bundle."""
    target = tmp_path_factory.mktemp("published") / "bundle"
    done = run_winterpool(
        "publish", demo_run.path, target, "--coarser", 2, "--leave-out", "--quiet"
    )
    assert done.returncode == 0, done.stderr
    assert "1 refused" in done.stdout
    return target


def test_a_stranger_reproduces_it_from_the_bundle_alone(bundle: Path, tmp_path: Path) -> None:
    copy = tmp_path / "somewhere else"
    shutil.copytree(bundle, copy)
    done = run_winterpool("reproduce", copy, "--quiet", cwd=None)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "The bundle is reproduced." in done.stdout


def test_it_is_published_the_same_again(demo_run: DemoRun, bundle: Path, tmp_path: Path) -> None:
    again = tmp_path / "again"
    done = run_winterpool("publish", demo_run.path, again, "--coarser", 2, "--leave-out", "--quiet")
    assert done.returncode == 0, done.stderr
    files = sorted(p.relative_to(bundle) for p in bundle.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(again) for p in again.rglob("*") if p.is_file())
    differ = [str(n) for n in files if (bundle / n).read_bytes() != (again / n).read_bytes()]
    assert differ in ([], ["published_at.txt"])


def test_the_report_in_it_names_nobody(demo_run: DemoRun, bundle: Path) -> None:
    page = (bundle / "report" / "index.html").read_text(encoding="utf-8")
    page = re.sub(r"data:[^\"' )]+", "", page)  # pictures: any three letters turn up in them
    with Store.open(Study(demo_run.path).store_path, read_only=True) as store:
        units = store.table("colony_winters")
        places = store.table("apiaries")
    assert "Invented data" in page
    assert "full" in page
    names = set(units["apiary_id"].drop_nulls()) | set(units["colony_id"])
    names |= set(places["member_id"])
    names |= {f"{v:.4f}" for c in ("latitude", "longitude") for v in places[c].drop_nulls()}
    words = set(page.replace(">", " ").replace("<", " ").split())
    long = {name for name in names if len(name) > 4}
    assert not {name for name in long if name in page}
    assert not (names - long) & words
    assert str(demo_run.path) not in page
    estimands = pl.read_csv(bundle / "results" / "estimands.csv")
    assert (estimands["status"] == "estimated").any()


def test_two_bundles_are_fitted_together(bundle: Path, tmp_path: Path) -> None:
    """The same records under two names: twice the colonies, so a narrower answer."""
    other = tmp_path / "other"
    shutil.copytree(bundle, other)
    path = other / "README.md"
    path.write_text(path.read_text(encoding="utf-8") + "\nAnother association.\n", encoding="utf-8")
    for name in ("colony_winters", "mite_samples", "set_ups"):
        frame = pl.read_parquet(other / "data" / f"{name}.parquet")
        renamed = frame.with_columns(colony_id=pl.lit("other-") + pl.col("colony_id"))
        renamed.write_csv(other / "data" / f"{name}.csv")
        renamed.write_parquet(other / "data" / f"{name}.parquet")
    (other / "SHA256SUMS").unlink()
    write_checksums(other)
    out = tmp_path / "synthesis.csv"
    done = run_winterpool("combine", bundle, other, "--refit", "--out", out, "--quiet")
    assert done.returncode == 0, done.stderr
    assert "One fit of all tables together" in done.stdout
    table = pl.read_csv(out).filter(
        (pl.col("outcome") == "stores use")
        & (pl.col("contrast") == "full vs none")
        & (pl.col("measure") == "difference")
    )
    alone = pl.read_csv(bundle / "results" / "estimands.csv").filter(
        (pl.col("outcome") == "stores use")
        & (pl.col("contrast") == "full vs none")
        & (pl.col("measure") == "difference")
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == "these winters")
    )
    assert table["mean"][0] == pytest.approx(alone["mean"][0], abs=0.01)
    [line] = [
        text
        for text in done.stdout.split("One fit of all tables together")[1].splitlines()
        if text.startswith("stores use") and "full vs none" in text
    ]
    assert "kg" in line
