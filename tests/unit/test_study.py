"""The study folder: made once, never over other files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.contracts import load_contracts
from pipeline.errors import StudyError
from pipeline.settings import Settings, StudySettings, read_settings
from pipeline.study import new_study


def test_a_new_study_has_settings_folders_and_templates(tmp_path: Path) -> None:
    study = new_study(tmp_path / "winters")
    assert read_settings(study.settings_path) == Settings()
    for folder in (study.inbox_path, study.mappings_path, study.weather_path):
        assert folder.is_dir()
        assert not list(folder.iterdir())
    assert len(list(study.templates_path.glob("*.csv"))) == len(load_contracts())
    assert (study.templates_path / "winterpool.xlsx").is_file()


def test_given_settings_are_written(tmp_path: Path) -> None:
    settings = replace(Settings(), study=StudySettings(name="Invented", is_invented=True))
    study = new_study(tmp_path / "winters", settings)
    assert read_settings(study.settings_path) == settings


def test_an_empty_folder_may_become_a_study_but_nothing_else(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    new_study(empty)
    with pytest.raises(StudyError, match="already"):
        new_study(empty)
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("Dear all")
    with pytest.raises(StudyError, match="other files"):
        new_study(other)
    assert [path.name for path in other.iterdir()] == ["letter.txt"]
    with pytest.raises(StudyError, match="is a file"):
        new_study(other / "letter.txt")
