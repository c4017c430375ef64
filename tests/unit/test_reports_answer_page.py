"""The one-page answer in each language: the study's numbers, its limits and the cautions."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import StudyError
from pipeline.languages import languages, words
from reports.answer import say_answer
from reports.answer_page import answer_page, answer_sentences, limits, write_answer
from reports.context import Pool, load_pool
from reports.wording import main_rows
from tests.report_study import HOSTILE, write_study


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    return load_pool(write_study(tmp_path_factory.mktemp("answer") / "study", members=12))


def _plain(html: str) -> str:
    return unescape(re.sub(r"<[^>]*>", " ", re.sub(r"<style>.*?</style>", "", html, flags=re.S)))


def _numbers(text: str) -> list[str]:
    return re.findall(r"\d+(?:[.,]\d+)?", text.replace("\u202f", ""))


def test_english_gives_the_numbers_of_the_whole_report(
    pool: Pool, capsys: pytest.CaptureFixture[str]
) -> None:
    say_answer(pool)
    whole = capsys.readouterr().out.replace("\\", "")
    whole = whole[: whole.index(":::", 5)]
    said = " ".join(answer_sentences(pool, words("en")))
    assert _numbers(said) == _numbers(whole)
    for word in ("almost certainly", "very likely", "probably", "It is unclear whether"):
        assert (word in said) == (word in whole), word


@pytest.mark.parametrize("code", [code for code in languages() if code != "en"])
def test_another_language_gives_the_same_numbers_by_its_own_marks(pool: Pool, code: str) -> None:
    english, other = (answer_sentences(pool, words(c)) for c in ("en", code))
    mark = words(code).decimal
    assert [n.replace(mark, ".") for n in _numbers(" ".join(other))] == _numbers(" ".join(english))
    assert mark == "." or not re.search(r"\d\.\d", " ".join(other))


def test_french_is_french_and_complete(pool: Pool) -> None:
    w = words("fr")
    html = answer_page(pool, w)
    assert '<html lang="fr">' in html
    text = _plain(html)
    assert "Qu'a fait l'isolation de la ruche" in text
    assert "Données inventées" in text
    for key in ("mites", "lifting", "cold_opening", "entrance", "disease"):
        assert w(f"caution.{key}") in text
    for sentence in limits(pool, w):
        assert sentence in text
    for english in ("interval ", "colonies in", "used less", "survival", "None", "nan"):
        assert english not in text, english
    assert re.search(r'alt="[^"]*intervalle à 95.%', html)
    assert re.findall(r'(?:src|href)="(?!data:)[^"]*', html) == []


def test_directions_follow_the_estimates(pool: Pool) -> None:
    def said(p_benefit: float, mean: float) -> str:
        mine = pl.col("outcome") == "survival"
        numbers = {"p_benefit": p_benefit, "mean": mean, "q2.5": mean - 1, "q97.5": mean + 1}
        changed = pool.estimands.with_columns(
            pl.when(mine).then(pl.lit(v)).otherwise(pl.col(c)).alias(c) for c, v in numbers.items()
        )
        return answer_sentences(replace(pool, estimands=changed), words("fr"))[1]

    assert "presque certainement passé l'hiver plus souvent, de 6,0" in said(0.999, 6.0)
    assert "presque certainement passé l'hiver moins souvent, de 6,0" in said(0.001, -6.0)
    assert "de 5,0 à 7,0" in said(0.001, -6.0)
    assert said(0.5, 0.2).startswith("On ne sait pas si")


def test_what_cannot_be_told_is_said(pool: Pool) -> None:
    w = words("fr")
    nothing = replace(pool, estimands=pool.estimands.clear(), level_means=pool.level_means.clear())
    assert answer_sentences(nothing, w) == [w("answer.not_fitted")]
    assert "<figure>" not in answer_page(nothing, w)
    for status, key in (("not converged", "not_converged"), ("cannot be estimated", "cannot")):
        shut = replace(pool, estimands=pool.estimands.with_columns(status=pl.lit(status)))
        said = answer_sentences(shut, w)
        assert said[1] == w(f"answer.{key}", outcome="survie")
        assert not main_rows(shut.estimands).is_empty() and not _numbers(" ".join(said))


def test_small_groups_and_hostile_names_stay_harmless(pool: Pool) -> None:
    every = replace(pool.settings.report, minimum_cell=100)
    hidden = replace(pool, settings=replace(pool.settings, report=every))
    body = answer_page(hidden, words("fr"))
    cells = re.findall(r"<td[^>]*>(.*?)</td>", body)
    assert "peu" in cells
    html = answer_page(pool, words("fr"))
    assert HOSTILE not in html and "<script" not in html
    assert '<script>alert("x")</script>' in _plain(html)


def test_the_page_is_written_beside_the_report(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study", members=6)
    page = write_answer(study, "fr")
    assert page == study.resolve() / "report" / "answer.fr.html"
    assert [p.name for p in page.parent.glob("*answer*")] == ["answer.fr.html"]
    with pytest.raises(StudyError) as caught:
        write_answer(study, "xx")
    assert "en, fr" in caught.value.mend
    with pytest.raises(StudyError, match="Nothing has been loaded"):
        write_answer(tmp_path, "fr")
