"""One study and one bundle of it, for every test of publishing."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.progress import SILENT
from pipeline.publishing import bundle
from pipeline.settings import read_settings
from pipeline.study import Study
from tests.published_study import keep_known_fit, write_published_study

K = 3


def plain_page(tables, settings, fit_folder, draft, progress) -> Path:
    """A page in place of the report, which has its own tests and takes half a minute."""
    draft.mkdir()
    (draft / "index.html").write_text("<title>Report</title>", encoding="utf-8")
    return draft / "index.html"


@pytest.fixture(scope="session")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A study with a known fit of its published records kept in it."""
    made = write_published_study(tmp_path_factory.mktemp("publish") / "study", k=K)
    keep_known_fit(made, read_settings(made.settings_path), coarser=2)
    return made


@pytest.fixture(scope="session")
def published(study: Study, tmp_path_factory: pytest.TempPathFactory) -> bundle.Published:
    """Its bundle."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bundle, "render_public_report", plain_page)
        target = tmp_path_factory.mktemp("out") / "bundle"
        return bundle.publish(study.path, target, coarser=2, leave_out=True, progress=SILENT)


@pytest.fixture(autouse=True)
def _page(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundle, "render_public_report", plain_page)


@pytest.fixture
def copy(published, tmp_path: Path) -> Path:
    """A copy of the bundle, to be changed."""
    folder = tmp_path / "bundle"
    shutil.copytree(published.folder, folder)
    return folder
