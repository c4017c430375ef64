"""``winterpool hive``: described hives against the standards' formulas, and what it refuses.

Formulas from memory: ISO 6946 (resistances in series with surface films 0.13, 0.10, 0.17 and
0.04 m²·K/W), ISO 13788 (temperature factor of an inner surface, f = 1 - U·Rsi), the Magnus form
of the dew point over water.
"""

from __future__ import annotations

import json
from math import log
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import ReadError, RenderError
from pipeline.hive_description import EXAMPLE, Air, Hive, read_hives
from pipeline.hive_sheet import cut_through, describe_hives
from pipeline.settings import LevelSettings, Settings
from reports.figures_hive import hive_figure, save_hive_figure

BODY = """
[[hive]]
name = "box"
inner_length_mm = 465
inner_width_mm = 375
inner_height_mm = 480
wall_material = "softwood"
wall_thickness_mm = 22
"""


@pytest.fixture
def example(tmp_path: Path) -> Path:
    path = tmp_path / "hive.toml"
    path.write_text(EXAMPLE)
    return path


def described(tmp_path: Path, text: str) -> tuple[list[Hive], Air]:
    path = tmp_path / "hive.toml"
    path.write_text(text, encoding="utf-8")
    return read_hives(path)


def test_walls_and_losses_are_those_of_the_standard(example):
    hives, air = read_hives(example)
    bare, foam = describe_hives(hives, air, Settings())
    wood, sheet, cover = 0.022 / 0.13, 0.030 / 0.030, 0.050 / 0.030
    films = {"top": 0.14, "bottom": 0.21}
    added = {"top": cover, "bottom": sheet}
    area = {"top": 0.465 * 0.375, "bottom": 0.465 * 0.375}
    area |= dict.fromkeys(("front", "back"), 0.375 * 0.48)
    area |= dict.fromkeys(("left", "right"), 0.465 * 0.48)
    for found, has_foam in ((bare, False), (foam, True)):
        loss = 0.0
        for row in found.surfaces.to_dicts():
            surface = row["surface"]
            expected = films.get(surface, 0.17) + wood + has_foam * added.get(surface, sheet)
            assert row["m2k_per_w"] == pytest.approx(expected, rel=1e-9)
            factor = 1 - (films.get(surface, 0.17) - 0.04) / expected
            face = air.outside_c + factor * (air.inside_c - air.outside_c)
            assert row["inner_face_c"] == pytest.approx(face, abs=1e-9)
            loss += area[surface] / expected
        assert found.conductance_w_per_k == pytest.approx(loss, rel=1e-9)
        assert found.loss_w == pytest.approx(25.0 * loss, rel=1e-9)
    assert (bare.level, foam.level) == ("none", "full")
    assert foam.material_cost == 38.0


def test_the_coldest_face_is_set_beside_the_dew_point(example):
    hives, air = read_hives(example)
    bare, foam = describe_hives(hives, air, Settings())
    gamma = log(0.70) + 17.62 * 10 / (243.12 + 10)  # Magnus, Sonntag's constants
    assert bare.dew_point_c == pytest.approx(243.12 * gamma / (17.62 - gamma), abs=0.1)
    assert bare.coldest_surface == "bottom"
    assert bare.margin_k is not None and foam.margin_k is not None
    coldest = bare.surfaces["inner_face_c"].min()
    assert bare.margin_k == pytest.approx(coldest - bare.dew_point_c)
    assert bare.margin_k < 0 < foam.margin_k


def test_what_counts_as_insulated_is_the_studys_rule(example):
    hives, air = read_hives(example)
    strict = Settings(levels=LevelSettings(added_resistance_m2k_per_w=1.2))
    assert describe_hives(hives, air, strict)[1].level == "top"


def test_a_material_without_a_figure_leaves_gaps_and_says_why(tmp_path):
    layer = 'layers = [{surface = "top", material = "other", thickness_mm = 20}]\n'
    hives, air = described(tmp_path, BODY + layer)
    [sheet] = describe_hives(hives, air, Settings())
    assert sheet.level is None and sheet.conductance_w_per_k is None and sheet.loss_w is None
    assert sheet.coldest_surface is None and sheet.margin_k is None
    assert sheet.reason == "a layer's resistance is not known"
    assert sheet.surfaces.filter(surface="front")["m2k_per_w"].item() > 0.3
    assert np.isnan(cut_through(hives[0], "top", air).temperature_c[1:]).all()


def test_a_cut_falls_from_one_air_to_the_other(example):
    hives, air = read_hives(example)
    cut = cut_through(hives[1], "left", air)
    assert cut.materials == ("softwood", "extruded polystyrene")
    total = 0.13 + 0.022 / 0.13 + 1.0 + 0.04
    at = 10.0 - 25.0 * np.array([0.13, 0.13 + 0.022 / 0.13, total - 0.04]) / total
    np.testing.assert_allclose(cut.temperature_c, at)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "does not describe 1 to 20 hives"),
        ("hive = 3", "does not describe 1 to 20 hives"),
        ("hive = [", "is not valid TOML"),
        ("[box]\n", "no section 'box'"),
        (BODY.replace('"softwood"', '"balsa"'), "wall_material = 'balsa' is not known"),
        (BODY.replace("= 22", "= 2200"), "is not between"),
        (BODY.replace("= 22", '= "22 mm"'), "is not a number"),
        (BODY.replace('name = "box"', ""), "the hive has no name"),
        (BODY + "colour = 3\n", "there is no 'colour'"),
        (BODY + "layers = 3\n", "layers is not a list"),
        (BODY + "layers = [3]\n", "not a table of names and values"),
        (BODY + 'layers = [{surface = "top"}]\n', "layer 1: material is missing"),
        (BODY + "material_cost = -1.0\n", "is not between"),
        (BODY + 'top_opening = "ajar"\n', "top_opening = 'ajar' is not known"),
        (BODY + BODY, "two hives are called 'box'"),
        ("[air]\nwind = 3\n" + BODY, "[air] has no 'wind'"),
        ("[air]\nhumidity_pct = 0.0\n" + BODY, "is not a number between 1 and 100"),
    ],
)
def test_what_cannot_be_is_refused_in_words(tmp_path, text, said):
    with pytest.raises(ReadError) as caught:
        described(tmp_path, text)
    assert said in caught.value.problem
    assert caught.value.mend.endswith(".")


def test_a_top_opening_is_told_drawn_and_changes_no_figure(tmp_path):
    told = BODY + 'top_opening = "{}"\n'
    open_too = told.replace("box", "open").format("open")
    hives, air = described(tmp_path, BODY + open_too + told.replace("box", "shut").format("closed"))
    bare, opened, shut = describe_hives(hives, air, Settings())
    assert (bare.top_opening, opened.top_opening, shut.top_opening) == (None, "open", "closed")
    assert bare.conductance_w_per_k == opened.conductance_w_per_k == shut.conductance_w_per_k
    marks = [
        [t.get_text() for t in axes.texts if "top opening" in t.get_text()]
        for axes in hive_figure(hives, air).axes
    ]
    # in the cut through the cover alone
    assert marks == [[], [], [], ["top opening: air leaves"], [], ["top opening closed"]]
    said = CliRunner().invoke(app, ["hive", str(tmp_path / "hive.toml")]).output
    assert "neither is in these figures" in said
    (tmp_path / "hive.toml").write_text(BODY)
    assert (
        "top opening" not in CliRunner().invoke(app, ["hive", str(tmp_path / "hive.toml")]).output
    )


def test_missing_and_foreign_files_are_refused(tmp_path):
    with pytest.raises(ReadError, match="There is no file"):
        read_hives(tmp_path / "none.toml")
    with pytest.raises(ReadError, match="There is no file"):
        read_hives(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"# caf\xe9")
    with pytest.raises(ReadError, match="not UTF-8"):
        read_hives(tmp_path / "latin.toml")


def test_the_command_prints_text_json_and_a_figure(example, tmp_path):
    run = CliRunner().invoke
    assert run(app, ["hive", "--example"]).output == EXAMPLE
    told = run(app, ["hive", str(example)])
    assert told.exit_code == 0
    assert "-76 %" in told.output and "keep smokers and flames away" in told.output
    picture = tmp_path / "walls.svg"
    made = run(app, ["hive", str(example), "--json", "--figure", str(picture)])
    found = json.loads(made.output)
    assert [hive["level"] for hive in found["hives"]] == ["none", "full"]
    assert len(found["hives"][0]["surfaces"]) == 6
    assert picture.read_text().startswith("<?xml")
    assert run(app, ["hive"]).exit_code == 2


def test_every_hive_is_drawn_and_a_gap_is_said(tmp_path):
    layer = 'layers = [{surface = "sides", material = "other", thickness_mm = 20}]\n'
    hives, air = described(tmp_path, BODY + BODY.replace("box", "wrapped") + layer)
    figure = hive_figure(hives, air)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == ["box: wall (left)", "box: cover", "wrapped: wall (left)", "wrapped: cover"]
    wrapped = [text.get_text() for text in figure.axes[2].texts]
    assert "resistance not known" in wrapped
    assert not [t for axes in figure.axes for t in axes.texts if "top opening" in t.get_text()]
    with pytest.raises(RenderError, match="not a kind of figure"):
        save_hive_figure(hives, air, tmp_path / "walls.docx")
    with pytest.raises(RenderError, match="There is no folder"):
        save_hive_figure(hives, air, tmp_path / "none" / "walls.svg")
