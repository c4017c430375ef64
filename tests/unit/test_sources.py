"""Digests of source files see names and content, and nothing else."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import models
from pipeline import runner
from pipeline.sources import source_digest


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An importable package of two modules."""
    made = tmp_path / "someones_package"
    made.mkdir()
    (made / "__init__.py").write_text("")
    (made / "one.py").write_text("A = 1\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, made.name, raising=False)
    return made


def digest(*places: str) -> str:
    source_digest.cache_clear()
    return source_digest(*places)


def test_a_changed_a_renamed_and_a_new_file_are_seen(package: Path) -> None:
    seen = [digest("someones_package")]
    (package / "one.py").write_text("A = 2\n")
    seen.append(digest("someones_package"))
    (package / "one.py").rename(package / "two.py")
    seen.append(digest("someones_package"))
    (package / "inner").mkdir()
    (package / "inner" / "three.py").write_text("")
    seen.append(digest("someones_package"))
    assert len(set(seen)) == len(seen)


def test_compiled_files_are_not(package: Path) -> None:
    before = digest("someones_package")
    (package / "__pycache__").mkdir(exist_ok=True)
    (package / "__pycache__" / "one.pyc").write_bytes(b"x")
    assert digest("someones_package") == before


def test_one_file_can_stand_alone(package: Path) -> None:
    before = digest("someones_package/one.py")
    (package / "two.py").write_text("B = 1\n")
    assert digest("someones_package/one.py") == before
    (package / "one.py").write_text("A = 3\n")
    assert digest("someones_package/one.py") != before


def test_a_folder_inside_can_be_left_out(package: Path) -> None:
    def without_inner() -> str:
        source_digest.cache_clear()
        return source_digest("someones_package", without=("inner",))

    before = without_inner()
    (package / "inner").mkdir()
    (package / "inner" / "three.py").write_text("")
    assert without_inner() == before
    (package / "inner.py").write_text("")
    assert without_inner() != before


def test_a_fit_does_not_hang_on_what_is_made_of_it() -> None:
    names = {path.name for path in Path(models.__file__).parent.iterdir() if path.is_dir()}
    assert names - {"__pycache__"} - set(runner._NOT_OF_THE_FIT) == {"checks", "parts"}
