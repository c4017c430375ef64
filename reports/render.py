"""Render a study's report, by Quarto where it is installed and by the built-in path otherwise."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from importlib.resources import files
from pathlib import Path
from typing import Literal

from quarto.quarto import path as quarto_path

from pipeline.errors import RenderError, StudyError
from pipeline.progress import Progress
from pipeline.study import Study
from reports.builtin import kernel_environment, render_builtin

Renderer = Literal["auto", "quarto", "builtin"]

_DOCUMENTS = (".qmd", ".css", ".yml")


def copy_documents(target: Path) -> None:
    """Put fresh copies of the documents into ``target``, so that they can be rendered there."""
    target.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(target / "figures", ignore_errors=True)
    for document in files("reports").iterdir():
        if document.name.endswith(_DOCUMENTS):
            (target / document.name).write_bytes(document.read_bytes())


def render_with_quarto(source: Path, page: Path, quarto: str) -> None:
    """Render ``source/index.qmd`` with the ``quarto`` command.

    Raises
    ------
    RenderError
        Quarto failed; its last error line is told.
    """
    done = subprocess.run(
        [quarto, "render", "index.qmd", "--to", "html"],
        cwd=source,
        env={**kernel_environment(), "QUARTO_PYTHON": sys.executable},
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    if done.returncode != 0:
        said = re.sub(r"\x1b\[[0-9;]*m", "", done.stderr).strip().splitlines()
        wrong = [line for line in said if "rror" in line] or said or ["it gave no reason"]
        raise RenderError(
            f"Quarto could not render the report: {wrong[-1].strip()}.",
            mend="Repair Quarto, or take it off PATH to use the built-in renderer.",
        )
    os.replace(source / "index.html", page)


def render_report(study_path: Path, progress: Progress, *, renderer: Renderer = "auto") -> Path:
    """Render the report of a study to ``STUDY/report/index.html``.

    Parameters
    ----------
    study_path : Path
        The study folder, with its store built and, for estimates, its results.
    progress : Progress
        Where the number of executed cells is shown.
    renderer : {"auto", "quarto", "builtin"}
        ``auto`` takes Quarto when it is on PATH.

    Returns
    -------
    Path
        The page: one self-contained HTML file. An older page stays until the new one is whole.

    Raises
    ------
    StudyError
        The study has no store yet.
    RenderError
        A cell, Quarto or Pandoc failed.
    """
    study = Study(study_path.resolve())
    if not study.store_path.exists():
        raise StudyError(
            f"Nothing has been loaded into {study.path} yet.",
            mend="Run: winterpool run STUDY.",
        )
    source = study.report_page.parent / "source"
    copy_documents(source)
    quarto = quarto_path() if renderer != "builtin" else None
    if renderer == "quarto" and quarto is None:
        raise RenderError("Quarto is not on PATH.", mend="Install Quarto, or leave the choice out.")
    draft = study.report_page.with_suffix(".partial.html")
    with progress.task("writing the report", unit="cells") as task:
        if quarto:
            render_with_quarto(source, draft, quarto)
        else:
            render_builtin(source, draft, task)
    os.replace(draft, study.report_page)
    return study.report_page
