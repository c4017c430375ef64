"""What must hold of the physics whatever the hive."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physics import degree_days, envelope, insulation, moist_air

resistances = st.floats(0.0, 20.0)
areas = st.lists(st.floats(0.01, 2.0), min_size=6, max_size=6)
surfaces = st.lists(st.floats(0.14, 20.0), min_size=6, max_size=6)


@given(areas, surfaces, st.integers(0, 5), st.floats(0.0, 10.0))
def test_adding_insulation_never_raises_conductance(area, bare, surface, added):
    better = list(bare)
    better[surface] += added
    before, after = (envelope.envelope_conductance(area, r) for r in (bare, better))
    assert after <= before * (1 + 1e-12)


@given(areas, surfaces, st.permutations(range(6)))
def test_order_of_surfaces_is_irrelevant_to_conductance(area, resistance, order):
    shuffled = envelope.envelope_conductance(np.take(area, order), np.take(resistance, order))
    assert np.isclose(envelope.envelope_conductance(area, resistance), shuffled, rtol=1e-12)


@given(st.lists(resistances, min_size=1, max_size=6), st.permutations(range(6)))
def test_order_of_layers_is_irrelevant_to_resistance(layers, order):
    shuffled = [layers[i] for i in order if i < len(layers)]
    total, again = (envelope.air_to_air_resistance(r, "upward") for r in (layers, shuffled))
    assert np.isclose(total, again, rtol=1e-12)


@given(st.lists(st.booleans(), min_size=6, max_size=6), st.integers(0, 5), st.booleans())
def test_insulating_one_more_surface_never_lowers_the_level(insulated, surface, is_floor_counted):
    def rank(which):
        level = insulation.insulation_level(which, is_floor_counted=is_floor_counted)
        return insulation.LEVELS.index(str(level))

    better = list(insulated)
    better[surface] = True
    assert rank(better) >= rank(insulated)


@given(st.floats(-30, 40), st.floats(-40, 40), st.floats(0.17, 20.0))
def test_an_inner_surface_lies_between_the_airs(inside, outside, resistance):
    face = envelope.inner_surface_temperature(inside, outside, resistance, "downward")
    assert min(inside, outside) - 1e-9 <= face <= max(inside, outside) + 1e-9


@given(st.floats(-39, 60), st.floats(1.0, 100.0), st.floats(0.1, 10.0))
def test_moister_air_has_a_higher_dew_point_never_above_the_air(temperature, humidity, more):
    dew = moist_air.dew_point(temperature, humidity)
    assert dew <= temperature + 1e-6
    assert moist_air.dew_point(temperature, min(humidity + more, 100.0)) >= dew - 1e-9


@given(st.lists(st.floats(-60, 40), min_size=1, max_size=40), st.floats(-20, 30), st.floats(0, 10))
def test_a_warmer_base_never_lowers_degree_days(means, base, more):
    low, high = (degree_days.degree_days(means, b).sum() for b in (base, base + more))
    assert high >= low >= 0
    assert high - low <= more * len(means) + 1e-6


@given(st.floats(-60, 40), st.floats(0, 4000), st.floats(0, 4000))
def test_height_corrections_invert(temperature, here, there):
    up = degree_days.elevation_correction(there, here)
    down = degree_days.elevation_correction(here, there)
    assert np.isclose(temperature + up + down, temperature)
