"""Records recognised by their headings."""

import pytest

from pipeline.contracts import load_contracts
from pipeline.errors import ContractError
from pipeline.languages import languages, words
from pipeline.recognise import column_of, recognise

CONTRACTS = load_contracts()


@pytest.mark.parametrize("name", list(CONTRACTS))
def test_all_columns_of_a_contract_are_recognised(name: str) -> None:
    columns = CONTRACTS[name].columns
    assert recognise(columns, CONTRACTS, "x.csv").name == name
    spelt = [column.replace("_", " ").title() for column in reversed(columns)]
    assert recognise(spelt, CONTRACTS, "x.csv").name == name


@pytest.mark.parametrize("name", list(CONTRACTS))
def test_the_needed_columns_alone_are_recognised_or_said_to_be_ambiguous(name: str) -> None:
    contract = CONTRACTS[name]
    needed = [f.name for f in contract.fields if f.is_required and f.default is None]
    assert recognise(needed, CONTRACTS, f"{name}.csv").name == name
    assert recognise(needed, CONTRACTS, "book.xlsx", contract.title).name == name


def test_weather_and_readings_are_not_confused() -> None:
    shared = ["temperature_c", "humidity_pct"]
    hourly = recognise(["station_id", "observed_at", *shared], CONTRACTS, "x.csv")
    reading = recognise(["colony_id", "logged_at", "position", *shared], CONTRACTS, "x.csv")
    assert (hourly.name, reading.name) == ("weather_hourly", "sensor_readings")


def test_an_unknown_heading_names_the_nearest_record_and_the_differences() -> None:
    with pytest.raises(ContractError) as caught:
        recognise(["colony_id", "weighed_on", "Gross", "method"], CONTRACTS, "a.csv", "Sheet 1")
    assert caught.value.problem == (
        "a.csv, sheet 'Sheet 1': its headings fit no record; nearest is weighings: "
        "missing gross_kg; unknown 'Gross'."
    )
    assert "weighings template" in caught.value.mend


def test_no_record_is_called_near_where_no_heading_is_known() -> None:
    with pytest.raises(ContractError) as caught:
        recognise(["Our weighings of 2024"], CONTRACTS, "a.csv")
    assert caught.value.problem == (
        "a.csv: none of its headings is one of a template: 'Our weighings of 2024'."
    )
    assert "take away any title" in caught.value.mend


def test_a_heading_of_another_unit_asks_to_convert_the_values() -> None:
    """Who only corrects the heading would have pounds read as kilograms."""
    header = ["colony_id", "weighed_on", "gross_kg [lb]", "method", "Wind"]
    with pytest.raises(ContractError) as caught:
        recognise(header, CONTRACTS, "a.csv")
    assert caught.value.problem.endswith(
        "nearest is weighings: unknown 'Wind'; 'gross_kg [lb]' is not said to be in kg."
    )
    assert "convert the values to their units" in caught.value.mend


def test_headings_that_fit_several_records_are_refused_unless_the_name_tells() -> None:
    two = {
        name: contract
        for name, contract in CONTRACTS.items()
        if name in ("weather_stations", "weather_hourly")
    }
    # A contract read twice under two names: the headings alone cannot tell.
    two["weather_stations"] = two["weather_hourly"]
    with pytest.raises(ContractError, match="fit several records"):
        recognise(["station_id", "observed_at"], two, "x.csv")


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("name", list(CONTRACTS))
def test_the_headings_of_every_language_come_back_to_their_columns(name: str, code: str) -> None:
    contract, language = CONTRACTS[name], words(code)
    header = [language.heading(field.name, field.unit) for field in contract.fields]
    assert [column_of(heading, contract) for heading in header] == list(contract.columns)
    assert recognise(header, CONTRACTS, "x.csv").name == name
    assert recognise([h.upper() for h in header], CONTRACTS, "x.csv").name == name


def test_a_unit_in_brackets_must_be_the_columns_own() -> None:
    header = ["colonie", "pesée le", "masse brute [{}]", "méthode"]
    assert recognise([h.format("KG") for h in header], CONTRACTS, "x.csv").name == "weighings"
    for unit in ("lb", "g", "°C"):
        with pytest.raises(ContractError, match=f"'masse brute \\[{unit}\\]' is not said"):
            recognise([h.format(unit) for h in header], CONTRACTS, "x.csv")
    weighings = CONTRACTS["weighings"]
    assert column_of("masse brute", weighings) is None  # which unit is not told
    assert column_of("colonie [kg]", weighings) is None
    assert column_of("gross_kg", weighings) == "gross_kg"


def test_two_headings_of_one_column_are_refused() -> None:
    header = ["colony_id", "weighed_on", "gross_kg", "masse brute [kg]", "method"]
    with pytest.raises(ContractError) as caught:
        recognise(header, CONTRACTS, "x.csv")
    assert "'gross_kg' and 'masse brute [kg]' both mean gross_kg" in caught.value.problem
