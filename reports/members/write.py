"""Each member's page, whole, and the files."""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl

from pipeline.file_names import safe_names
from pipeline.html_pages import page, paragraph
from pipeline.languages import DEFAULT, Words, words
from pipeline.progress import Progress
from pipeline.study import Study
from reports.context import load_pool
from reports.members.compare import Records, load_records
from reports.members.model import model_section
from reports.members.sections import (
    TOPICS,
    glance_table,
    logger_sections,
    records_table,
    survival_section,
    topic_section,
)


def member_page(records: Records, member: str, w: Words) -> str:
    """Write one member's page as HTML that needs nothing else.

    Parameters
    ----------
    records : Records
    member : str
    w : Words
        The language.
    """
    pool = records.pool
    invented = pool.invented and w("member.invented")
    mark = invented.partition(":")[0].strip().lower()
    body = [
        paragraph(w("member.subtitle", member=member)),
        paragraph(pool.settings.study.name, "soft"),
        paragraph(w("member.private", minimum=pool.minimum_cell)),
    ]
    if records.units.filter(pl.col("member_id") == member).is_empty():
        body.append(paragraph(w("member.no_colonies")))
    else:
        body += [f"<h2>{w('member.glance')}</h2>", glance_table(records, member, w)]
        body += survival_section(records, member, w, mark)
        for topic in TOPICS[:-1]:
            body += topic_section(records, member, topic, w, mark)
        body += logger_sections(records, member, w, mark)
        body += topic_section(records, member, TOPICS[-1], w, mark)
        body += model_section(records, member, w, mark)
        body += [f"<h2>{w('member.records')}</h2>", records_table(records, member, w)]
        body.append(paragraph(w("member.footnote"), "soft"))
    body.append(paragraph(w("member.made"), "soft"))
    return page(w("member.title"), body, language=w.code, banner=invented)


def write_members(study_path: Path, progress: Progress, *, language: str = DEFAULT) -> list[Path]:
    """Write a page for every member into ``STUDY/members``.

    Parameters
    ----------
    study_path : Path
        The study folder, its derived tables built; results are shown where there are any.
    progress : Progress
        Where the number of pages is shown.
    language : str
        Code of the pages' language; other than English it ends the files' names:
        ``M01.html``, ``M01.fr.html``.

    Returns
    -------
    list of Path
        The pages, by member.

    Raises
    ------
    StudyError
        Nothing has been loaded yet, or there is no such language.
    StoreError
        The store is damaged or in use, or its tables are not built.
    """
    w = words(language)
    study = Study(study_path.resolve())
    study.require_loaded()
    records = load_records(load_pool(study.path))
    folder = study.path / "members"
    folder.mkdir(exist_ok=True)
    stems = safe_names(records.members)
    ending = ".html" if language == DEFAULT else f".{language}.html"
    pages = []
    with progress.task("writing pages", total=len(stems), unit="pages") as task:
        for member, stem in stems.items():
            pages.append(folder / f"{stem}{ending}")
            draft = folder / f".{stem}.draft"
            draft.write_text(member_page(records, member, w), encoding="utf-8")
            os.replace(draft, pages[-1])
            task.advance(1)
    return pages
