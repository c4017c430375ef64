"""A bundle: whole, standard, the same each time, and without what must not be in it.

Sources: the Data Package standard through the ``frictionless`` library, RO-Crate 1.1 through the
``rocrate`` library. CITATION.cff is held against the keys that the Citation File Format 1.2.0 asks
for (from memory): its own checker cannot be installed beside today's ``jsonschema``.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import stat
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import xarray as xr
import yaml
from frictionless import Package, system
from rocrate.rocrate import ROCrate
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import ModelError, NotConvergedError, StoreError, StudyError
from pipeline.progress import SILENT
from pipeline.publishing import bundle
from pipeline.publishing.checksums import BundleError, verify_checksums
from pipeline.publishing.pseudonyms import study_pseudonyms
from pipeline.publishing.reproduce import reproduce
from pipeline.settings import Settings, read_settings, render_settings
from pipeline.store import Store
from tests.published_study import MARK, PRIVATE_NUMBERS, note_current
from tests.unit.publishing.conftest import K


def names(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_the_same_study_gives_the_same_bytes_but_for_the_time(study, published, tmp_path) -> None:
    bundle.publish(study.path, tmp_path / "again", coarser=2, leave_out=True, progress=SILENT)
    assert names(tmp_path / "again") == names(published.folder)
    for name in names(published.folder):
        same = (tmp_path / "again" / name).read_bytes() == (published.folder / name).read_bytes()
        assert same or name == "published_at.txt", name
    assert list(tmp_path.iterdir()) == [tmp_path / "again"]


def test_no_private_mark_and_no_name_is_in_any_byte(published) -> None:
    marks = [MARK, MARK.encode("utf-16-le").decode("latin-1"), "Etc/GMT+5"]
    for value in PRIVATE_NUMBERS.values():
        marks += [str(value), np.float64(value).tobytes().decode("latin-1")]
    expanded = {}
    for name in names(published.folder):
        path = published.folder / name
        expanded[name] = path.read_bytes()
        if name.endswith(".parquet"):
            expanded[f"{name}, expanded"] = pl.read_parquet(path).write_ndjson().encode()
        if name.endswith(".nc"):
            with xr.open_datatree(path, engine="netcdf4") as tree:
                texts = [repr(group.ds.to_dict(data=False)) for group in tree.subtree]
                for group in tree.subtree:
                    texts += [repr(c.values.tolist()) for c in group.ds.coords.values()]
                    texts += [
                        v.values.tobytes().decode("latin-1") for v in group.ds.data_vars.values()
                    ]
            expanded[f"{name}, expanded"] = "".join(texts).encode("latin-1", "replace")
    assert len(expanded) > 20
    for name, content in expanded.items():
        for mark in marks:
            assert mark.encode("latin-1") not in content, (mark, name)
    assert not any(name.endswith((".zip", ".gz")) for name in expanded)


def test_pseudonyms_hang_on_a_key_that_only_its_owner_reads(study, published) -> None:
    path = study.path / "publication" / "key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    key = path.read_text().strip()
    for name in names(published.folder):
        content = (published.folder / name).read_bytes()
        assert key.encode() not in content, name
        assert bytes.fromhex(key) not in content, name
    first = study_pseudonyms(path)
    assert first.of("member_id", "x") != first.of("colony_id", "x")
    assert key not in repr(first)
    # without the key the pseudonyms of guessed names cannot be made
    plain = "M" + hashlib.sha256(f"{MARK}m00".encode()).hexdigest()[:16]
    assert plain not in published.protected.units["member_id"].to_list()
    path.chmod(0o644)
    try:
        with pytest.raises(StudyError, match="Others can read"):
            study_pseudonyms(path)
    finally:
        path.chmod(0o600)


def test_only_members_who_agreed_are_published(study, published) -> None:
    with Store.open(study.store_path, read_only=True) as store:
        members = store.table("members")
    refused = members.filter(~pl.col("may_publish"))["member_id"].to_list()
    assert list(published.consents.refused) == refused
    assert len(refused) == 1
    pseudonyms = study_pseudonyms(study.path / "publication" / "key")
    shown = set(published.protected.units["member_id"].to_list())
    assert pseudonyms.of("member_id", refused[0]) not in shown
    agreed = {pseudonyms.of("member_id", name) for name in published.consents.agreed}
    assert shown <= agreed
    assert len(shown) >= 2


def test_without_consent_nothing_is_published(study, tmp_path) -> None:
    with Store.open(study.store_path) as store:
        store.connection.execute("UPDATE members_rows SET _is_superseded = true")
    try:
        with pytest.raises(StudyError, match=r"No member agreed.* 10 have no row") as refused:
            bundle.publish(study.path, tmp_path / "b", coarser=2, leave_out=True, progress=SILENT)
    finally:
        with Store.open(study.store_path) as store:
            store.connection.execute("UPDATE members_rows SET _is_superseded = false")
    assert "members.csv" in refused.value.mend
    assert "may_publish" in refused.value.mend
    assert not (tmp_path / "b").exists()


def test_the_command_says_who_is_in_it_and_what_to_keep_apart(study, tmp_path) -> None:
    asked = ["publish", str(study.path), str(tmp_path / "b"), "--coarser", "2", "--leave-out"]
    done = CliRunner().invoke(app, [*asked, "--quiet"])
    assert done.exit_code == 0, done.output
    assert "9 agreed, 1 refused, 0 were not asked" in done.output
    assert "members who are not in it (1)" in done.output
    assert MARK not in done.output


def test_small_cells_are_refused_with_the_way_out(study, tmp_path) -> None:
    with pytest.raises(StudyError, match="look like fewer than 2 others") as refused:
        bundle.publish(study.path, tmp_path / "b", coarser=0, leave_out=False, progress=SILENT)
    assert "--coarser 2 --leave-out publishes" in refused.value.problem
    assert "--leave-out" in refused.value.mend
    assert not (tmp_path / "b").exists()


def test_every_view_of_every_published_row_is_shared(published) -> None:
    units = published.protected.units.with_columns(size=pl.len().over("apiary_id", "winter"))
    fence = ["size", "winter", "level", "cold_kd_per_day"]
    assert units.select(pl.len().over(fence)).to_series().min() >= K
    assert units.select(pl.col("member_id").n_unique().over(fence)).to_series().min() >= 2
    for known in (["autumn_strength_frames"], ["spring_strength_frames"]):
        counted = units.drop_nulls(known)
        assert counted.select(pl.len().over("size", "winter", *known)).to_series().min() >= K
    assert published.protected.report["smallest_class"].min() >= K
    assert published.protected.report["expected_share"].max() <= 1 / K
    columns = set(units.columns)
    assert not columns & {"latitude", "elevation_m", "wind_exposure", "autumn_strength_on"}
    assert not any(kind.is_temporal() for kind in units.schema.values())


def test_the_package_is_valid_by_the_standard(published) -> None:
    with system.use_context(trusted=True):
        package = Package(str(published.folder / "datapackage.json"))
        report = package.validate()
    assert report.valid, report.flatten(["title", "message"])[:5]
    assert {r.name for r in package.resources} == {"colony_winters", "mite_samples", "set_ups"}
    for name in ("colony_winters", "mite_samples", "set_ups"):
        schema = json.loads((published.folder / "contracts" / f"{name}.json").read_text())
        frame = pl.read_parquet(published.folder / "data" / f"{name}.parquet")
        assert [f["name"] for f in schema["fields"]] == frame.columns
        assert all(len(f["description"]) > 10 for f in schema["fields"])


def test_the_crate_lists_every_file_and_its_licence(published) -> None:
    crate = ROCrate(str(published.folder))
    listed = {e.id for e in crate.get_entities() if e.type == "File"}
    assert listed == set(names(published.folder)) - {"ro-crate-metadata.json"}
    assert crate.root_dataset["license"]["name"].startswith("Creative Commons Attribution")
    assert crate.root_dataset["datePublished"].startswith("2025-06-02")
    assert "invented" in crate.root_dataset["description"]


def test_the_citation_has_what_its_format_asks_for(published) -> None:
    cited = yaml.safe_load((published.folder / "CITATION.cff").read_text(encoding="utf-8"))
    assert {"cff-version", "message", "title", "authors"} <= cited.keys()
    assert cited["cff-version"] == "1.2.0"
    assert cited["type"] == "dataset"
    assert cited["license"] == "CC-BY-4.0"
    assert cited["authors"] == [{"name": "Hollow Wood Beekeepers (invented)"}]


def test_the_readme_says_what_is_and_is_not_in_it(published) -> None:
    text = (published.folder / "README.md").read_text(encoding="utf-8")
    for words in (
        "invented",
        "right at most 33 times in 100",
        "winterpool reproduce",
        "pseudonyms",
        "in steps of 2 K",
        "weighings or mite counts of a colony (most are unique)",
        "may belong to one apiary",
        f"{published.protected.n_by_opening} of {published.protected.units.height} colony-winters",
    ):
        assert words in text, words
    schema = json.loads((published.folder / "contracts" / "colony_winters.json").read_text())
    [cold] = [f for f in schema["fields"] if f["name"] == "cold_kd_per_day"]
    assert cold["description"].endswith("in steps of 2 K.")
    assert (published.protected.units["cold_kd_per_day"].drop_nulls() % 2.0 == 0.0).all()
    lock = (published.folder / "environment" / "requirements.lock").read_text()
    assert "pymc==" in lock
    assert "--hash=sha256:" in lock
    versions = json.loads((published.folder / "environment" / "versions.json").read_text())
    assert {"winterpool", "python", "pymc", "nutpie"} <= versions.keys()


def test_numbers_are_reproduced_from_the_bundle_alone(published) -> None:
    found = reproduce(published.folder, has_refit=False, progress=SILENT)
    wrong = [line for line in found.lines if not line.agrees]
    assert not wrong
    assert len(found.lines) > 30
    levels = next(line for line in found.lines if line.what.startswith("insulation levels"))
    assert levels.published > 100
    assert any("weather" in note for note in found.notes)


def test_a_full_disk_leaves_no_bundle(study, tmp_path, monkeypatch) -> None:
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(bundle, "write_checksums", full)
    with pytest.raises(StoreError, match="disk is full"):
        bundle.publish(study.path, tmp_path / "b", coarser=2, leave_out=True, progress=SILENT)
    assert list(tmp_path.iterdir()) == []


def test_a_target_that_is_taken_is_refused(study, tmp_path) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "letter.txt").write_text("mine")
    (tmp_path / "f").write_text("mine")
    inside = study.path / "bundle"
    for target, words in (
        (tmp_path / "b", "holds something"),
        (tmp_path / "f", "is a file"),
        (inside, "inside the study"),
    ):
        with pytest.raises(StudyError, match=words):
            bundle.publish(study.path, target, coarser=2, leave_out=True, progress=SILENT)
    assert (tmp_path / "b" / "letter.txt").read_text() == "mine"


def test_a_target_with_dots_in_its_name_is_followed(study, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = bundle.publish(
        study.path, Path("here/sub/.."), coarser=2, leave_out=True, progress=SILENT
    )
    assert done.folder == tmp_path / "here"
    assert (tmp_path / "here" / "README.md").exists()


def test_a_study_without_a_sound_fit_is_refused(study, tmp_path) -> None:
    settings = read_settings(study.settings_path)
    run = study.results_path / "run.json"
    estimands = study.results_path / "estimands.csv"
    noted, told, rows = study.steps_path.read_text(), run.read_text(), estimands.read_text()

    def refused(kind: type[Exception], words: str) -> None:
        with pytest.raises(kind, match=words):
            bundle.publish(study.path, tmp_path / "b", coarser=2, leave_out=True, progress=SILENT)

    try:
        study.steps_path.write_text("{}")
        refused(StudyError, "out of date")
        note_current(study, settings)
        run.write_text(told.replace('"has_converged": true', '"has_converged": false'))
        refused(NotConvergedError, "did not pass its gates")
        run.write_text(told)
        estimands.write_text(rows.replace(",estimated,", ",cannot be estimated,"))
        refused(ModelError, "Nothing can be estimated")
    finally:
        study.steps_path.write_text(noted)
        run.write_text(told)
        estimands.write_text(rows)


def test_another_licence_is_refused(study, tmp_path) -> None:
    settings = read_settings(study.settings_path)
    text = study.settings_path.read_text()
    other = replace(settings, publish=replace(settings.publish, licence="mine"))
    study.settings_path.write_text(render_settings(other))
    try:
        with pytest.raises(StudyError, match="licence = 'mine'") as refused:
            bundle.publish(study.path, tmp_path / "b", coarser=2, leave_out=True, progress=SILENT)
        assert "CC0-1.0" in refused.value.mend
    finally:
        study.settings_path.write_text(text)


@pytest.mark.parametrize("k", [0, 2])
def test_a_class_that_hides_nobody_is_refused(k, tmp_path) -> None:
    (tmp_path / "study.toml").write_text(f"[publish]\nsmallest_class = {k}\n")
    with pytest.raises(StudyError, match="smallest_class is below 3: that hides nobody") as refused:
        read_settings(tmp_path / "study.toml")
    assert refused.value.mend == "Write 3 or more."


def test_settings_of_a_bundle_tell_no_place(published) -> None:
    settings = read_settings(published.folder / "settings.toml")
    assert settings.study.time_zone == Settings().study.time_zone
    assert settings.publish.smallest_class == K


@pytest.mark.parametrize("change", ["changed", "missing", "added"])
def test_a_tampered_bundle_is_told_by_its_file(published, tmp_path, change) -> None:
    folder = tmp_path / "b"
    shutil.copytree(published.folder, folder)
    if change == "changed":
        path = folder / "data" / "colony_winters.csv"
        path.write_bytes(path.read_bytes().replace(b"true", b"TRUE", 1))
        told = "data/colony_winters.csv was changed"
    elif change == "missing":
        (folder / "results" / "links.csv").unlink()
        told = "results/links.csv is missing"
    else:
        (folder / "data" / "more.csv").write_text("a\n1\n")
        told = "data/more.csv was added"
    with pytest.raises(BundleError, match=told) as refused:
        verify_checksums(folder)
    assert refused.value.exit_code == 1
