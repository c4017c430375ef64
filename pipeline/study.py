"""The study folder: where everything of one study stands."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from pipeline.disk import disk_errors
from pipeline.errors import StudyError
from pipeline.settings import Settings, render_settings


@dataclass(frozen=True, slots=True)
class Study:
    """The places inside one study folder."""

    path: Path

    @property
    def settings_path(self) -> Path:
        """The study's settings."""
        return self.path / "study.toml"

    @property
    def inbox_path(self) -> Path:
        """Where members' files are put."""
        return self.path / "inbox"

    @property
    def mappings_path(self) -> Path:
        """Where mapping files are kept."""
        return self.path / "mappings"

    @property
    def weather_path(self) -> Path:
        """Where weather files are put."""
        return self.path / "weather"

    @property
    def templates_path(self) -> Path:
        """Blank files to send to members."""
        return self.path / "templates"

    @property
    def archive_path(self) -> Path:
        """Every accepted file, unchanged, under its digest."""
        return self.path / "archive"

    @property
    def working_path(self) -> Path:
        """Files of an ingest under way; may be removed when none is."""
        return self.path / ".working"

    @property
    def rebuilding_path(self) -> Path:
        """A store being made anew; swept away when the next rebuild begins."""
        return self.path / ".rebuilding"

    @property
    def store_path(self) -> Path:
        """The store."""
        return self.path / "store.duckdb"

    @property
    def results_path(self) -> Path:
        """What the model found."""
        return self.path / "results"

    @property
    def step_lock_path(self) -> Path:
        """Held by whichever command writes results or report: one at a time."""
        return self.path / "step.lock"

    @property
    def steps_path(self) -> Path:
        """Fingerprints of the steps done."""
        return self.results_path / "steps.json"

    @property
    def report_path(self) -> Path:
        """The rendered report's folder."""
        return self.path / "report"

    @property
    def report_page(self) -> Path:
        """The rendered report's first page."""
        return self.report_path / "index.html"

    def require_loaded(self) -> None:
        """Refuse a study into which nothing has been loaded, or whose store is lost.

        Raises
        ------
        StudyError
            There is no store.
        """
        if not self.store_path.exists() and self.archive_path.exists():
            raise StudyError(
                f"{self.store_path} is gone, but the archived files are there.",
                mend=f"Run: winterpool rebuild {self.path}.",
            )
        if not self.store_path.exists():
            raise StudyError(
                f"Nothing has been loaded into {self.path} yet.",
                mend=f"Put members' files into {self.inbox_path} and run: winterpool run STUDY.",
            )


def new_study(path: Path, settings: Settings | None = None) -> Study:
    """Make a study folder with settings and blank templates.

    Parameters
    ----------
    path : Path
        The folder to make; it may exist if it is empty.
    settings : Settings, optional
        What to write into ``study.toml``; all defaults otherwise.

    Raises
    ------
    StudyError
        The folder is a study already or holds other files, or the path is a file.
    StoreError
        A file cannot be written; nothing is left behind.
    """
    from pipeline.templates import write_templates

    study = Study(path)
    if study.settings_path.exists():
        raise StudyError(f"{path} is a study already.", mend="Choose another name.")
    if path.exists() and not path.is_dir():
        raise StudyError(f"{path} is a file.", mend="Choose another name.")
    if path.exists() and any(path.iterdir()):
        raise StudyError(
            f"{path} holds other files.", mend="Choose a name that is free, or an empty folder."
        )
    folders = study.inbox_path, study.mappings_path, study.weather_path, study.templates_path
    try:
        with disk_errors(path, "step"):
            for folder in folders:
                folder.mkdir(parents=True, exist_ok=True)
            write_templates(study.templates_path)
            text = render_settings(settings or Settings())
            study.settings_path.write_text(text, encoding="utf-8")
    except BaseException:  # half a study would be in the way of the next try
        for folder in folders:
            shutil.rmtree(folder, ignore_errors=True)
        study.settings_path.unlink(missing_ok=True)
        raise
    return study
