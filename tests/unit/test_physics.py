"""Hand-worked values and refusals of the physics."""

import numpy as np
import pytest
import yaml

from pipeline.contracts import load_contracts
from pipeline.errors import PhysicsDomainError
from pipeline.physics import degree_days, envelope, feed, insulation, materials, moist_air


def test_series_resistance_adds_films_by_direction():
    layers = [[0.2, 0.5], [0.0, 0.0]]
    assert envelope.air_to_air_resistance(layers, "horizontal") == pytest.approx([0.87, 0.17])
    assert envelope.air_to_air_resistance(layers, "upward") == pytest.approx([0.84, 0.14])
    assert envelope.air_to_air_resistance(layers, "downward") == pytest.approx([0.91, 0.21])


def test_conductance_of_a_hand_worked_box():
    # 0.5 m x 0.4 m x 0.25 m: ends 0.1, flanks 0.125, plan 0.2 m2; every surface 0.5 m2K/W
    areas = envelope.surface_areas(500, 400, 250)
    assert areas == pytest.approx([0.1, 0.1, 0.125, 0.125, 0.2, 0.2])
    assert envelope.envelope_conductance(areas, [0.5] * 6) == pytest.approx(0.85 / 0.5)


def test_inner_surface_is_colder_the_less_it_resists():
    faces = envelope.inner_surface_temperature(20.0, 0.0, [0.26, 1.3], "horizontal")
    assert faces == pytest.approx([10.0, 18.0])


@pytest.mark.parametrize(
    ("insulated", "with_floor", "without_floor"),
    [  # front, back, left, right, top, bottom
        ("000000", "none", "none"),
        ("000010", "top", "top"),
        ("111111", "full", "full"),
        ("111110", "partial", "full"),
        ("000001", "partial", "none"),
        ("000011", "partial", "top"),
        ("111100", "partial", "partial"),
        ("100010", "partial", "partial"),
    ],
)
def test_level_rule(insulated, with_floor, without_floor):
    surfaces = [mark == "1" for mark in insulated]
    assert insulation.insulation_level(surfaces) == with_floor
    assert insulation.insulation_level(surfaces, is_floor_counted=False) == without_floor


def test_insulated_means_more_than_a_softwood_board_by_the_threshold():
    board = 0.022 / 0.13
    layers = [board, board + 0.36, board + 0.34, 0.0]
    assert insulation.is_insulated(layers, 0.35).tolist() == [False, True, False, False]


def test_a_foam_hive_body_counts_as_what_it_is():
    wall = materials.material_resistance(["expanded polystyrene"], [30.0], "horizontal")
    assert insulation.is_insulated(wall, 0.35).tolist() == [True]


def test_air_change_term_is_density_times_heat_capacity():
    assert envelope.air_change_conductance(1.0) == pytest.approx(1.296, abs=0.001)


def test_every_material_of_the_records_has_an_entry_with_a_source():
    fields = load_contracts()["set_up_layers"].field("material").enum
    walls = load_contracts()["colonies"].field("wall_material").enum
    assert set(materials.materials()) == set(fields) == set(walls)
    assert all(material.source for material in materials.materials().values())


def test_materials_are_read_as_the_yaml_gives_them():
    resistance = materials.material_resistance(
        ["softwood", "reflective foil", "still air", "still air", "other", None, "cedar"],
        [26.0, 4.0, 50.0, 301.0, 20.0, 20.0, np.nan],
        "downward",
    )
    assert resistance[:3] == pytest.approx([0.2, 0.0, 0.21])
    assert np.isnan(resistance[3:]).all()


def test_still_air_table_is_interpolated():
    assert envelope.air_layer_resistance([0, 20, 75], "upward") == pytest.approx([0, 0.16, 0.16])
    assert envelope.air_layer_resistance(20, "horizontal") == pytest.approx(0.175)


def test_condensation_starts_where_the_surface_meets_the_dew_point():
    dew = moist_air.dew_point(15.0, 80.0)
    assert moist_air.saturation_pressure(dew) == pytest.approx(
        0.8 * moist_air.saturation_pressure(15.0), rel=1e-5
    )
    assert moist_air.dew_point([10.0, -5.0], 100.0) == pytest.approx([10.0, -5.0], abs=1e-6)


def test_no_air_has_no_dew_point_and_needs_no_table(monkeypatch):
    monkeypatch.setattr(moist_air, "_saturation_table", lambda: pytest.fail("made a table"))
    assert moist_air.dew_point([], []).shape == (0,)


def test_degree_days_of_hand_worked_days():
    days = degree_days.degree_days([12.0, 10.0, 0.0, -15.5, np.nan], 10.0)
    assert days[:4] == pytest.approx([0.0, 0.0, 10.0, 25.5])
    assert np.isnan(days[4])
    assert degree_days.daily_mean_from_extremes([5.0], [-10.0]) == pytest.approx([-2.5])


def test_feed_becomes_stores_by_its_sugar():
    kinds = ["syrup 2:1", "syrup 1:1", "dry sugar", "honey frame", "fondant"]
    kg = feed.honey_equivalent_kg(kinds, np.ones(5), stores_sugar_share=0.8, processing_loss=0.0)
    assert kg == pytest.approx([0.8333, 0.625, 1.25, 1.0, 1.125], abs=1e-4)
    lossy = feed.honey_equivalent_kg(kinds, np.ones(5), stores_sugar_share=0.8, processing_loss=0.1)
    assert lossy == pytest.approx([0.75, 0.5625, 1.125, 1.0, 1.0125])


@pytest.mark.parametrize(
    "call",
    [
        lambda: envelope.layer_resistance(-1.0, 0.1),
        lambda: envelope.layer_resistance(10.0, 0.0),
        lambda: envelope.air_layer_resistance(400.0, "upward"),
        lambda: envelope.air_to_air_resistance([-0.1], "upward"),
        lambda: envelope.surface_areas(0.0, 300, 300),
        lambda: envelope.envelope_conductance([-1.0], [1.0]),
        lambda: envelope.envelope_conductance([1.0], [0.0]),
        lambda: envelope.envelope_conductance([1.0], [np.nan]),
        lambda: envelope.inner_surface_temperature(20, 0, 0.05, "horizontal"),
        lambda: insulation.insulation_level([True] * 5),
        lambda: insulation.is_insulated([np.nan], 0.35),
        lambda: envelope.air_change_conductance(-1.0),
        lambda: materials.material_resistance(["unobtainium"], [1.0], "upward"),
        lambda: materials.material_resistance(["cedar"], [-1.0], "upward"),
        lambda: moist_air.dew_point(20.0, 0.0),
        lambda: moist_air.dew_point(20.0, 101.0),
        lambda: moist_air.dew_point(120.0, 50.0),
        lambda: moist_air.saturation_pressure(-150.0),
        lambda: degree_days.degree_days([400.0], 10.0),
        lambda: degree_days.degree_days([1.0], np.nan),
        lambda: degree_days.daily_mean_from_extremes([0.0], [1.0]),
        lambda: feed.honey_equivalent_kg(["tea"], [1], stores_sugar_share=0.8, processing_loss=0),
        lambda: feed.honey_equivalent_kg(
            ["fondant"], [-1], stores_sugar_share=0.8, processing_loss=0
        ),
        lambda: feed.honey_equivalent_kg(["fondant"], [1], stores_sugar_share=0, processing_loss=0),
        lambda: feed.bees_and_brood_kg(
            -1, 0, bees_per_frame=2400, bee_mass_g=0.12, brood_frame_kg=0.45
        ),
    ],
)
def test_a_quantity_outside_its_range_is_refused_in_plain_words(call):
    with pytest.raises(PhysicsDomainError) as caught:
        call()
    assert caught.value.problem.endswith((".", ")."))
    assert caught.value.mend.endswith(".")


def test_no_material_key_escapes_the_reader():
    from importlib.resources import files

    text = (files("data_contracts") / "materials.yaml").read_text(encoding="utf-8")
    for name, entry in yaml.safe_load(text)["materials"].items():
        figures = {"conductivity_w_per_mk", "resistance_m2k_per_w", "is_air_layer"} & set(entry)
        assert len(figures) == (0 if name == "other" else 1), name
