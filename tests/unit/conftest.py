"""What unit tests of the way in start from."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.study import Study


@pytest.fixture
def study(tmp_path: Path) -> Study:
    """A study folder with nothing in it yet."""
    made = Study(tmp_path / "winters")
    for folder in (made.inbox_path, made.weather_path, made.mappings_path):
        folder.mkdir(parents=True)
    return made
