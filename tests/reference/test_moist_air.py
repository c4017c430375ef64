"""Moist air against a psychrometrics library and the values of ISO 13788."""

import numpy as np
import psychrolib
import pytest

from pipeline.physics.moist_air import dew_point, saturation_pressure

# ISO 13788 saturation pressures [Pa], worked from its formulas (from memory):
# 610.5 exp(17.269 t / (237.3 + t)) at and above 0 °C, 610.5 exp(21.875 t / (265.5 + t)) below.
ISO_13788 = {-20: 102.7, -10: 259.3, 0: 610.5, 10: 1227.3, 20: 2337.0, 30: 4240.5, 35: 5619.2}


@pytest.fixture(scope="module", autouse=True)
def si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(("temperature_c", "pressure_pa"), ISO_13788.items())
def test_saturation_pressure_of_iso_13788(temperature_c, pressure_pa):
    # The two formulas differ by up to 0.6 % at -20 °C, a tenth of that above freezing.
    within = 0.007 if temperature_c < 0 else 0.002
    assert saturation_pressure(temperature_c) == pytest.approx(pressure_pa, rel=within)


def test_saturation_pressure_is_the_librarys_between_grid_points():
    temperatures = np.linspace(-39.987, 49.987, 61)
    expected = [psychrolib.GetSatVapPres(float(t)) for t in temperatures]
    assert saturation_pressure(temperatures) == pytest.approx(expected, rel=2e-6)


@pytest.mark.parametrize("temperature_c", [-10.0, 2.0, 12.5, 20.0, 33.0])
@pytest.mark.parametrize("humidity_pct", [20.0, 55.0, 80.0, 99.0])
def test_dew_point_is_the_librarys(temperature_c, humidity_pct):
    expected = psychrolib.GetTDewPointFromRelHum(temperature_c, humidity_pct / 100)
    assert dew_point(temperature_c, humidity_pct) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct"), [(20.0, 50.0), (15.0, 80.0), (5.0, 95.0)]
)
def test_dew_point_of_iso_13788(temperature_c, humidity_pct):
    # The standard's formula inverted, above freezing (from memory).
    vapour = humidity_pct / 100 * 610.5 * np.exp(17.269 * temperature_c / (237.3 + temperature_c))
    ratio = np.log(vapour / 610.5)
    expected = 237.3 * ratio / (17.269 - ratio)
    assert dew_point(temperature_c, humidity_pct) == pytest.approx(expected, abs=0.03)
