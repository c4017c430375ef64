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

from pipeline.errors import RenderError
from pipeline.lock import Lock
from pipeline.progress import Progress
from pipeline.study import Study
from reports.builtin import kernel_environment, render_builtin

Renderer = Literal["auto", "quarto", "builtin"]

_DOCUMENTS = (".qmd", ".css", ".yml", ".lua", ".typ")
PDF_NAME = "report.pdf"


def copy_documents(target: Path) -> None:
    """Put fresh copies of the documents into ``target``, so that they can be rendered there."""
    target.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(target / "figures", ignore_errors=True)
    for document in files("reports").iterdir():
        if document.name.endswith(_DOCUMENTS):
            (target / document.name).write_bytes(document.read_bytes())


def render_with_quarto(source: Path, page: Path, quarto: str, form: str = "html") -> None:
    """Render ``source/index.qmd`` with the ``quarto`` command.

    Parameters
    ----------
    source : Path
        Folder with the documents.
    page : Path
        The file to write.
    quarto : str
        The command.
    form : {"html", "typst"}
        A format of ``_quarto.yml``; ``typst`` gives a PDF.

    Raises
    ------
    RenderError
        Quarto failed; its last error line is told. Or it wrote nothing.
    """
    done = subprocess.run(
        [quarto, "render", "index.qmd", "--to", form],
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
    made = source / ("index.pdf" if form == "typst" else "index.html")
    if not made.is_file():
        raise RenderError(
            f"Quarto ended well but wrote no {made.name}.",
            mend="Update Quarto, or take it off PATH to use the built-in renderer.",
        )
    os.replace(made, page)


def _open_study(study_path: Path) -> Study:
    study = Study(study_path.resolve())
    study.require_loaded()
    return study


def render_pdf(study_path: Path, progress: Progress) -> Path:
    """Render the report of a study to ``STUDY/report/report.pdf``, by Quarto's Typst format.

    Parameters
    ----------
    study_path : Path
        The study folder, as for ``render_report``.
    progress : Progress
        Shows that the report is being written.

    Returns
    -------
    Path
        The PDF. An older one stays until the new one is whole.

    Raises
    ------
    StudyError
        The study has no store yet.
    RenderError
        Quarto is not on PATH, or failed.
    StoreInUseError
        Another command is at work on the study's results or report.
    """
    study = _open_study(study_path)
    quarto = quarto_path()
    if quarto is None:
        raise RenderError(
            "A PDF of the whole report needs Quarto, which is not on PATH.",
            mend=f"Open {study.report_page} in a browser and print it to PDF, or install Quarto.",
        )
    source = study.report_path / "source"
    draft = study.report_path / f".{PDF_NAME}"
    with Lock.held(study.step_lock_path):
        copy_documents(source)
        with progress.task("writing the PDF"):
            render_with_quarto(source, draft, quarto, "typst")
        os.replace(draft, study.report_path / PDF_NAME)
    return study.report_path / PDF_NAME


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
    study = _open_study(study_path)
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
