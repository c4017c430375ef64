"""Envelopes of hives as set up."""

import polars as pl
import pytest

from pipeline.stages import hive_envelopes as envelopes
from tests.stage_frames import derived, hive, records, yard

FOAM = "extruded polystyrene"


def layer(surface, material=FOAM, thickness_mm=50.0, layer_no=1, is_sealed=None):
    return {
        "colony_id": "a",
        "winter": 2023,
        "surface": surface,
        "layer_no": layer_no,
        "material": material,
        "thickness_mm": thickness_mm,
        "is_sealed": is_sealed,
    }


def envelope(*layers, set_up=True, **body):
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive("a", **body)],
            "set_ups": [{"colony_id": "a", "winter": 2023}] if set_up else [],
            "set_up_layers": list(layers),
            "winter_outcomes": [
                {"colony_id": "a", "winter": 2023, "checked_on": "2024-04-01", "state": "alive"}
            ],
        }
    )
    return derived(frames)[0]["hive_envelopes"].row(0, named=True)


@pytest.mark.parametrize(
    ("layers", "level", "surfaces"),
    [
        ([], "none", 0),
        ([layer("top")], "top", 1),
        ([layer("top", thickness_mm=5.0)], "none", 0),
        ([layer("sides")], "partial", 4),
        ([layer("sides"), layer("top")], "partial", 5),
        ([layer("sides"), layer("top"), layer("bottom")], "full", 6),
        ([layer("front"), layer("sides", "felt", 5.0)], "partial", 1),
        ([layer("top", thickness_mm=6.0), layer("top", thickness_mm=6.0, layer_no=2)], "top", 1),
        ([layer("top", "reflective foil", 4.0)], "none", 0),
    ],
)
def test_level_follows_from_the_layers(layers, level, surfaces):
    row = envelope(*layers)
    assert (row["level"], row["insulated_surfaces"], row["level_reason"]) == (level, surfaces, None)


def test_resistances_and_conductance_by_hand():
    row = envelope(layer("top"))
    board = 0.022 / 0.13
    assert row["front_m2k_per_w"] == pytest.approx(board + 0.17)
    assert row["top_m2k_per_w"] == pytest.approx(board + 0.05 / 0.03 + 0.14)
    assert row["bottom_m2k_per_w"] == pytest.approx(board + 0.21)
    walls = 2 * (0.465 + 0.375) * 0.24 / (board + 0.17)
    plan = 0.465 * 0.375
    expected = walls + plan / row["top_m2k_per_w"] + plan / row["bottom_m2k_per_w"]
    assert row["conductance_w_per_k"] == pytest.approx(expected)


def test_a_foam_body_is_full_with_nothing_added():
    row = envelope(wall_material="expanded polystyrene", wall_thickness_mm=35.0)
    assert row["level"] == "full"


def test_cover_and_floor_are_as_the_walls_unless_said():
    row = envelope(
        wall_material="expanded polystyrene",
        wall_thickness_mm=35.0,
        floor_thickness_mm=0.0,  # an open mesh
        cover_material="softwood",
    )
    assert row["bottom_m2k_per_w"] == pytest.approx(0.21)
    assert row["top_m2k_per_w"] == pytest.approx(0.035 / 0.13 + 0.14)
    assert row["level"] == "partial"


def test_no_set_up_is_no_level_and_says_so():
    row = envelope(set_up=False)
    assert (row["level"], row["level_reason"]) == (None, envelopes.NO_SET_UP)
    assert row["conductance_reason"] == envelopes.NO_SET_UP


def test_unknown_body_or_material_is_a_reason():
    assert envelope(wall_material=None)["level_reason"] == envelopes.NO_BODY
    row = envelope(layer("top", "other"))
    assert (row["level"], row["level_reason"]) == (None, envelopes.NO_FIGURE)
    assert row["is_front_insulated"] is False
    assert envelope(layer("top", "still air", 400.0))["level_reason"] == envelopes.NO_FIGURE


def test_what_is_known_may_be_enough_for_a_level():
    all_round = [layer("sides"), layer("top"), layer("bottom")]
    row = envelope(*all_round, layer("top", "other", 9.0, layer_no=2), wall_material=None)
    assert (row["level"], row["level_reason"]) == ("full", None)
    assert (row["conductance_w_per_k"], row["conductance_reason"]) == (None, envelopes.NO_BODY)


def test_dimensions_missing_leave_the_level_but_no_conductance():
    row = envelope(inner_height_mm=None)
    assert (row["level"], row["conductance_w_per_k"]) == ("none", None)
    assert row["conductance_reason"] == envelopes.NO_DIMENSIONS


def test_open_joints_are_told():
    assert envelope(layer("top", is_sealed=False))["has_open_joints"] is True
    assert envelope(layer("top"))["has_open_joints"] is False


def test_the_floor_can_be_left_out_of_the_rule():
    from dataclasses import replace

    from pipeline.settings import Settings

    plain = Settings()
    settings = replace(plain, levels=replace(plain.levels, is_floor_counted=False))
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive("a")],
            "set_ups": [{"colony_id": "a", "winter": 2023}],
            "set_up_layers": [layer("sides"), layer("top")],
        }
    )
    table = derived(frames, settings)[0]["hive_envelopes"]
    assert table.select(pl.col("level").first()).item() == "full"
