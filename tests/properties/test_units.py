"""Units: whatever is listed converts there and back, and agrees with known equalities."""

from fractions import Fraction
from importlib.resources import files

import polars as pl
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from pipeline.contracts import load_contracts
from pipeline.mapping.units import composite, conversion, unit

GIVEN = yaml.safe_load((files("data_contracts") / "units.yaml").read_text(encoding="utf-8"))
PAIRS = [
    (one["names"][0], other["names"][0])
    for entry in GIVEN["dimensions"].values()
    for one in entry["units"]
    for other in entry["units"]
]
NAMES = [n for e in GIVEN["dimensions"].values() for u in e["units"] for n in u["names"]]


@given(st.sampled_from(PAIRS), st.fractions(-1000, 1000, max_denominator=1000))
def test_there_and_back_is_exact(pair: tuple[str, str], value: Fraction) -> None:
    one, other = pair
    there, back = conversion(one, other), conversion(other, one)
    assert back.factor * (there.factor * value + there.offset) + back.offset == value


@given(st.sampled_from(PAIRS), st.floats(-1e4, 1e4, allow_nan=False))
def test_the_column_expression_agrees_with_the_exact_number(
    pair: tuple[str, str], value: float
) -> None:
    exact = conversion(*pair)
    expected = exact.factor * Fraction(value) + exact.offset
    frame = pl.DataFrame({"x": [value]}).select(exact.apply(pl.col("x")))
    scale = max(abs(expected), abs(exact.offset), 1)
    assert abs(Fraction(frame.item()) - expected) <= Fraction(1, 10**14) * scale


@pytest.mark.parametrize("name", NAMES)
def test_every_name_leads_to_its_unit_in_any_spelling_that_is_clear(name: str) -> None:
    assert name in unit(name).names
    assert unit(f"  {name} ") is unit(name)


@pytest.mark.parametrize(
    ("value", "source", "expected", "target"),
    [
        # International yard and pound agreement, 1959 (from memory).
        (1, "lb", "0.45359237", "kg"),
        (16, "oz", "1", "lb"),
        (14, "lb", "1", "st"),
        (12, "in", "1", "ft"),
        (1, "in", "25.4", "mm"),
        # NIST SP 811, appendix B (from memory): mph to m/s 0.44704, knot 1852/3600.
        (1, "mph", "0.44704", "m/s"),
        (3600, "kn", "1852", "m/s"),
        (36, "km/h", "10", "m/s"),
        # Fixed points: water boils at 212 °F and 373.15 K; the scales meet at -40.
        (212, "degF", "100", "degC"),
        (-40, "degF", "-40", "degC"),
        ("373.15", "K", "100", "degC"),
        (95, "°F", "35", "°C"),
        (1, "fraction", "100", "%"),
        (36, "h", "1.5", "d"),
    ],
)
def test_known_equalities(value: float | str, source: str, expected: str, target: str) -> None:
    found = conversion(source, target)
    assert found.factor * Fraction(value) + found.offset == Fraction(expected)


def test_every_unit_of_a_contract_is_known() -> None:
    units = {f.unit for c in load_contracts().values() for f in c.fields if f.unit}
    assert {unit(name).symbol for name in units} == units


def test_composites_are_made_of_known_units() -> None:
    pair = composite("LB OZ")
    assert pair is not None
    assert [part.symbol for part in pair.parts] == ["lb", "oz"]
