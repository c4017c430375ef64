"""The graph of assumptions as the report shows it: figure, tables, sentences."""

from __future__ import annotations

import polars as pl
from matplotlib.patches import FancyArrowPatch, FancyBboxPatch

from models.assumptions import load_assumptions
from reports.figures_assumptions import (
    adjusted_sentence,
    adjustment_table,
    arrow_table,
    assumptions_alt,
    assumptions_figure,
    open_path_sentences,
)

PARTS = ("member effects", "member shares of levels", "mites", "cold", "queen age", "top opening")


def parts(**left_out: str) -> pl.DataFrame:
    rows = [(p, p not in left_out, 40, left_out.get(p, "")) for p in PARTS]
    schema = {"part": pl.String, "is_included": pl.Boolean, "n_units": pl.Int64}
    return pl.DataFrame(rows, schema=schema | {"reason": pl.String}, orient="row")


class OfParts:
    def __init__(self, table: pl.DataFrame) -> None:
        self.parts = table


def test_the_figure_draws_every_node_and_every_arrow_that_is_not_absent():
    source = load_assumptions()
    [axes] = assumptions_figure().axes
    drawn = [text.get_text().replace("\n", " ") for text in axes.texts]
    assert sorted(drawn) == sorted(source.nodes)
    arrows = [p for p in axes.patches if isinstance(p, FancyArrowPatch)]
    assert len(arrows) == sum(a.state != "absent" for a in source.arrows)
    assert len([p for p in axes.patches if isinstance(p, FancyBboxPatch)]) == len(source.nodes)


def test_boxes_of_the_figure_stay_inside_it_and_apart():
    figure = assumptions_figure()
    figure.draw_without_rendering()
    [axes] = figure.axes
    boxes = [p.get_window_extent() for p in axes.patches if isinstance(p, FancyBboxPatch)]
    for i, one in enumerate(boxes):
        assert one.x0 > 0 and one.x1 < figure.bbox.x1
        assert not any(one.overlaps(other) for other in boxes[i + 1 :])


def test_the_alt_text_names_what_is_compared_adjusted_and_open():
    alt = assumptions_alt()
    for words in ("insulation level and top opening", "mite load", "stores use", "vigour to"):
        assert words in alt


def test_the_table_gives_every_arrow_its_reason_and_marks_common_practice():
    table, source = arrow_table(), load_assumptions()
    assert table.height == len(source.arrows)
    assert not table["because"].str.ends_with("CP").any()
    n_practice = sum(a.because.endswith(" CP") for a in source.arrows)
    assert (table["source"] == "common practice, no source").sum() == n_practice > 20
    assert set(table["state"]) == {"assumed", "assumed, stays open", "assumed absent"}


def test_the_table_of_adjustment_says_what_this_fit_could_not_hold_still():
    fitted = parts(mites="mites were counted in 3 colony-winters, fewer than 10")
    table = adjustment_table(fitted)
    by_node = {row["node"]: row for row in table.to_dicts()}
    assert by_node["mite load"]["in_fit"].startswith("Mites were counted in 3")
    assert by_node["cold of the place"]["in_fit"] == "yes"
    assert by_node["autumn stores"]["outcomes"] == "survival and spring strength"
    assert by_node["autumn stores"]["needed"] == "sharpens"
    assert by_node["member skill"]["needed"] == "closes a path"
    assert by_node["vigour"]["needed"].startswith("stays open")
    assert "treatment" not in by_node
    assert "mite load" in adjusted_sentence(OfParts(fitted))
    assert adjusted_sentence(OfParts(parts())).startswith("This fit adjusts for every cause")


def test_without_a_fit_the_table_says_so():
    empty = parts().clear()
    rows = {row["node"]: row["in_fit"] for row in adjustment_table(empty).to_dicts()}
    assert rows["mite load"] == "not fitted"
    assert rows["disaster"] == "yes"
    assert adjusted_sentence(OfParts(empty)) == "The model has not been fitted."


def test_what_stays_open_is_told_in_plain_words():
    said = open_path_sentences()
    assert len(said) == 2
    assert said[0].startswith("Vigour: ")
    assert "insulation level – vigour – survival" in said[0]
