"""The one-page answer in one language: numbers, limits and cautions, as a small page of its own.

Its words stand in the language files (``data_contracts/languages``), sections ``answer``,
``caution`` and ``probability``; another language is one more file.
"""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl

from models.vocabulary import ONLY_LIVING, OUTCOMES
from pipeline.html_pages import escape, page, paragraph, table
from pipeline.languages import Words, words
from pipeline.lock import Lock
from pipeline.study import Study
from reports.context import Pool, load_pool
from reports.members.figures import figure_html, model_figure
from reports.summaries import raw_by_level
from reports.verdict import judge, load_checks
from reports.wording import decimals_of, headline_contrast, main_rows

_KEYS = {"stores use": "stores", "survival": "survival", "spring strength": "strength"}
_RAW = {
    "stores use": ("stores_use_kg", "n_stores", "kg"),
    "survival": ("survival", "n_known", "%"),
    "spring strength": ("frames", "n_frames", "frames"),
}
_DRAWN = ("full vs none", "partial vs none", "top vs none")
_CAUTIONS = ("mites", "lifting", "cold_opening", "entrance", "disease")
_PRINT = """
@media print { @page { margin: 10mm 13mm; }
  body { font-size: 8.6pt; line-height: 1.28; padding: 0; }
  h1 { font-size: 14pt; margin: 0 0 1mm; }
  h2 { font-size: 10.5pt; margin: 1.5mm 0 .5mm; padding: .5mm 0 0; }
  p, ul, .caution { margin: .8mm 0; } ul { padding-left: 4mm; } .caution { padding: 0 2mm; }
  table, caption, figcaption, .soft { font-size: 7.8pt; } th, td { padding: .3mm 1.2mm; }
  .words { display: grid; grid-template-columns: minmax(0, 1fr) 66mm; column-gap: 5mm; }
  figure { margin: 0; } figure img { max-height: 82mm; width: auto; } }
.answer { font-size: 1.1em; border-left: 5px solid var(--accent); padding-left: .8rem; }
"""


def _size(pool: Pool, w: Words) -> str:
    shown = pool.shown
    winters = sorted(shown["winter"].unique().to_list())
    if not winters:
        return w("answer.nobody")
    filled = {
        "units": w.number(shown.height),
        "members": w.number(shown["member_id"].n_unique()),
        "apiaries": w.number(shown["apiary_id"].n_unique()),
        "first": w.winter(winters[0]),
        "last": w.winter(winters[-1]),
    }
    return w("answer.size" if len(winters) > 1 else "answer.size_one", **filled)


def _sentence(row: dict, pool: Pool, checks: pl.DataFrame, w: Words) -> str:
    """Say one estimate in the direction that the probability, after the checks, allows."""
    judged = judge(row["p_benefit"], row["outcome"], checks)
    seen, decimals = judged.verdict, decimals_of(row["unit"])
    sign = seen.direction or 1
    low, high = sorted((sign * row["q2.5"], sign * row["q97.5"]))
    ending = {1: "better", -1: "worse", 0: "unclear"}[seen.direction]
    level, _, other = row["contrast"].partition(" vs ")
    said = w(
        f"answer.{_KEYS[row['outcome']]}_{ending}",
        who=w(f"answer.who_{level.replace(' ', '_')}"),
        other=w(f"answer.who_{other}"),
        chance=w(f"probability.{seen.word.replace(' ', '_')}") if seen.direction else "",
        mean=w.quantity(sign * row["mean"], row["unit"], decimals),
        low=w.number(low, decimals),
        high=w.number(high, decimals),
    )
    if ONLY_LIVING in (row["population"] or ""):
        said += " " + w("answer.only_living")
    if judged.weakened_by:
        said += " " + w("answer.weaker")
    return said


def answer_sentences(pool: Pool, w: Words) -> list[str]:
    """Say what is known, what is unclear and what cannot be told, an outcome a sentence."""
    if pool.estimands.is_empty():
        return [w("answer.not_fitted")]
    checks = load_checks(pool)
    contrast = headline_contrast(pool.estimands)
    rows = main_rows(pool.estimands).filter(pl.col("contrast") == contrast)
    found = {row["outcome"]: row for row in rows.to_dicts()}
    said = []
    for outcome in OUTCOMES:
        row = found.get(outcome)
        if row is not None and row["status"] == "estimated":
            said.append(_sentence(row, pool, checks, w))
        else:
            is_open = row is not None and row["status"] == "not converged"
            key = "answer.not_converged" if is_open else "answer.cannot"
            said.append(w(key, outcome=w.word(outcome)))
    return said


def _figure(pool: Pool, w: Words, mark: str) -> list[str]:
    rows = main_rows(pool.estimands).filter(
        pl.col("contrast").is_in(_DRAWN) & (pl.col("status") == "estimated")
    )
    panels: dict[str, list[dict]] = {}
    alts = []
    for outcome in OUTCOMES:
        here = rows.filter(pl.col("outcome") == outcome).to_dicts()
        if not here:
            continue
        here.sort(key=lambda row: _DRAWN.index(row["contrast"]))
        name = w(f"model.{_KEYS[outcome]}")
        panels[f"{name} [{w.unit(here[0]['unit'])}]"] = here
        told = []
        for row in here:
            decimals = decimals_of(row["unit"])
            level = w.word(row["contrast"].partition(" vs ")[0])
            told.append(
                w(
                    "model.alt_row",
                    contrast=w("model.vs_none", level=level),
                    mean=w.quantity(row["mean"], row["unit"], decimals, signed=True),
                    low=w.number(row["q2.5"], decimals, signed=True),
                    high=w.number(row["q97.5"], decimals, signed=True),
                )
            )
        alts.append(w("model.alt", outcome=name, rows="; ".join(told)) + ".")
    if not panels:
        return []
    caption = w("model.caption", place=w("model.for_all"))
    return [figure_html(model_figure(panels, w), " ".join(alts), caption, mark)]


def _model_cell(row: dict | None, decimals: int, w: Words) -> str | None:
    if row is None or row["mean"] is None:
        return None
    names = {"mean": "mean", "low": "q2.5", "high": "q97.5"}
    return w("answer.interval", **{k: w.number(row[c], decimals) for k, c in names.items()})


def _table(pool: Pool, w: Words) -> list[str]:
    """Put raw means beside the model's, a level a row; groups of few members say so."""
    modelled = {(row["outcome"], row["level"]): row for row in pool.level_means.to_dicts()}
    has_model = pool.level_means["mean"].count() > 0
    headings = [w("answer.level"), w("answer.units")]
    for outcome, (_, _, unit) in _RAW.items():
        name = f"{w(f'answer.{_KEYS[outcome]}')} [{w.unit(unit)}]"
        headings += [w("answer.raw", what=name)] + [w("answer.model", what=name)] * has_model
    rows = []
    for raw in raw_by_level(pool).to_dicts():
        few = w("answer.few") if raw["is_hidden"] else ""
        row: list[object] = [w.word(raw["level"]), few or w.number(raw["n_units"])]
        for outcome, (column, n_column, unit) in _RAW.items():
            decimals = decimals_of(unit)
            shown = f"{w.number(raw[column], decimals)} (n {w.number(raw[n_column])})"
            row.append(few or shown)
            if has_model:
                row.append(_model_cell(modelled.get((outcome, raw["level"])), decimals, w))
        rows.append(row)
    caption = w("answer.table", minimum=pool.minimum_cell)
    return [table(headings, rows, caption=caption)] if rows else []


def limits(pool: Pool, w: Words) -> list[str]:
    """Say what the answer cannot tell."""
    units = pool.units
    if units["level"].count() == 0:
        return [w("answer.no_set_ups"), w("answer.other_places")]
    known = units["assignment"].drop_nulls()
    lot = 100 * float((known == "randomised").mean() or 0)  # type: ignore[arg-type]
    chosen = w("answer.by_lot", share=w.number(lot)) if lot else w("answer.chosen")
    gaps = {
        name: w.number(units.height - units[column].count())
        for name, column in (("stores", "stores_use_kg"), ("survival", "is_alive"))
    }
    return [
        f"{chosen} {w('answer.cause')}",
        w("answer.unreported", units=w.number(units.height), **gaps),
        w("answer.other_places"),
    ]


def _listed(sentences: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(s)}</li>" for s in sentences) + "</ul>"


def answer_page(pool: Pool, w: Words) -> str:
    """Write the answer as HTML that needs nothing else.

    Parameters
    ----------
    pool : Pool
    w : Words
        The language.
    """
    study = pool.settings.study
    invented = pool.invented and w("member.invented")
    mark = invented.partition(":")[0].strip().lower()
    name = f"{study.name}, {study.association}" if study.association else study.name
    said = answer_sentences(pool, w)
    figure = _figure(pool, w, mark)
    text = [
        paragraph(name, "soft"),
        paragraph(_size(pool, w)),
        *(paragraph(sentence, "answer") for sentence in said),
    ]
    if figure:
        text.append(paragraph(w("answer.basis")))
    wide = ["<div class='words'><div>", *text, "</div>", *figure, "</div>"] if figure else text
    body = [
        f"<style>{_PRINT}</style>",
        *wide,
        *_table(pool, w),
        f"<h2>{escape(w('answer.limits'))}</h2>",
        _listed(limits(pool, w)),
        f"<h2>{escape(w('answer.cautions'))}</h2>",
        f'<div class="caution">{_listed([w(f"caution.{key}") for key in _CAUTIONS])}</div>',
        paragraph(w("answer.whole"), "soft"),
    ]
    return page(w("answer.title"), body, language=w.code, banner=invented)


def write_answer(study_path: Path, language: str) -> Path:
    """Write the one-page answer to ``STUDY/report/answer.CODE.html``.

    Parameters
    ----------
    study_path : Path
        The study folder, its derived tables built; results are shown where there are any.
    language : str
        Code of the language.

    Returns
    -------
    Path
        The page. An older one stays until the new one is whole.

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
    target = study.report_path / f"answer.{w.code}.html"
    draft = study.report_path / f".answer.{w.code}.draft"
    with Lock.held(study.step_lock_path):
        study.report_path.mkdir(exist_ok=True)
        draft.write_text(answer_page(load_pool(study.path), w), encoding="utf-8")
        os.replace(draft, target)
    return target
