"""Figures as they stand in the report: their size, alt text and mark of invention."""

from __future__ import annotations

from pathlib import Path

import pytest

from reports.context import Pool, load_pool
from reports.figures import figure_markdown, spread
from reports.figures_estimates import answer_figure
from tests.report_study import write_study


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    study = write_study(tmp_path_factory.mktemp("summaries") / "study")
    return load_pool(study)


def test_figures_carry_size_alt_text_and_the_mark_of_invention(
    pool: Pool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    figure = answer_figure(pool)
    text = figure_markdown(figure, "answer", 'says "this"', invented="Invented data")
    width, height = (round(100 * inches) for inches in figure.get_size_inches())
    assert text == (
        "![](figures/answer.png){fig-alt=\"Invented data: says 'this'\" "
        f"width={width} height={height}}}"
    )
    first = (tmp_path / "figures" / "answer.png").read_bytes()
    figure_markdown(answer_figure(pool), "answer", "x", invented="Invented data")
    assert (tmp_path / "figures" / "answer.png").read_bytes() == first


def test_points_are_spread_the_same_way_every_time() -> None:
    offsets = spread(200, 0.3)
    assert abs(offsets).max() <= 0.3
    assert (offsets == spread(200, 0.3)).all()
