"""Contracts: read from YAML, refused when they promise what nobody checks."""

from __future__ import annotations

import copy
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.contract_reader import SCHEMA, parse_contract, read_contracts
from pipeline.contracts import (
    PROVENANCE,
    data_dictionary,
    load_contracts,
    load_derived_contracts,
    record_ddl,
)
from pipeline.errors import ContractError

BASE: dict[str, Any] = {
    "$schema": SCHEMA,
    "name": "stays",
    "fields": [
        {
            "name": "colony_id",
            "type": "string",
            "description": "The colony.",
            "constraints": {"required": True},
        },
        {"name": "mass_kg", "type": "number", "description": "Its mass."},
        {"name": "from_on", "type": "date", "description": "Since when."},
    ],
    "primaryKey": ["colony_id"],
}


def changed(path: tuple[str | int, ...], value: object) -> dict[str, Any]:
    """Return the base contract with one place set."""
    made = copy.deepcopy(BASE)
    place: Any = made
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return made


def test_every_record_of_the_design_has_a_contract() -> None:
    assert set(load_contracts()) == {
        "apiaries",
        "colonies",
        "queens",
        "stays",
        "set_ups",
        "set_up_layers",
        "strength_inspections",
        "mite_counts",
        "treatments",
        "feedings",
        "weighings",
        "winter_outcomes",
        "sensor_readings",
        "weather_stations",
        "weather_daily",
        "weather_hourly",
        "prices",
        "members",
    }
    assert {"colony_winters", "mite_samples"} <= set(load_derived_contracts())


def test_what_is_referred_to_comes_first() -> None:
    order = list(load_contracts())
    for name, contract in load_contracts().items():
        for reference in contract.references:
            assert order.index(reference.record) < order.index(name)


def test_fields_carry_limits_in_their_own_type() -> None:
    weighings = load_contracts()["weighings"]
    assert weighings.field("weighed_on").minimum == date(1950, 1, 1)
    assert weighings.field("gross_kg").maximum == 250.0
    assert weighings.field("gross_kg").unit == "kg"
    assert weighings.field("notes").is_private
    assert load_contracts()["mite_counts"].field("sample_no").default == 1
    with pytest.raises(KeyError):
        weighings.field("colour")


def test_the_word_on_stays_a_word() -> None:
    """YAML 1.1 would read a bare ``on`` as true."""
    rule = load_contracts()["strength_inspections"].rules[-1]
    assert (rule.kind, rule.on, rule.other) == ("at_most_referenced", ("colony_id",), "frames_max")


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("fields", 1, "constraints"), {"exclusiveMinimum": 0}, "exclusiveMinimum"),
        (("fields", 1, "constraints"), {"unique": True}, "unique"),
        (("fields", 1, "constraints"), {"pattern": "x"}, "pattern"),
        (("fields", 0, "categories"), ["a"], "categories"),
        (("fields", 1, "bareNumber"), False, "bareNumber"),
        (("uniqueKeys",), [["mass_kg"]], "uniqueKeys"),
        (("fields", 1, "winterpool"), {"units": "kg"}, "units"),
        (("winterpool",), {"rules": [{"rule": "at_most", "column": "mass_kg"}]}, "lacks"),
        (("winterpool",), {"rules": [{"rule": "at_least", "column": "mass_kg"}]}, "at_least"),
        (("fields", 2, "format"), "%d.%m.%Y", "%d.%m.%Y"),
        (("fields", 1, "type"), "money", "a type"),
        (("fields", 1, "constraints"), {"minimum": "heavy"}, "heavy"),
        (("fields", 1, "name"), "colony_id", "same name"),
        (("fields", 0, "constraints"), {"required": True, "pattern": "["}, "regular expression"),
        (("fields", 0, "constraints"), {}, "required"),
        (("primaryKey",), ["hive"], "hive"),
        (("$schema",), "https://example.org", "$schema"),
        (("missingValues",), ["", "n/a"], "missing"),
    ],
)
def test_a_contract_that_cannot_be_kept_is_refused(
    path: tuple[str | int, ...], value: object, said: str
) -> None:
    with pytest.raises(ContractError) as refused:
        parse_contract(changed(path, value), "stays.yaml")
    assert said in refused.value.problem
    assert refused.value.mend


def test_circles_and_strangers_are_refused(tmp_path: Path) -> None:
    text = (
        f"$schema: {SCHEMA}\nname: NAME\nprimaryKey: [a]\nfields:\n"
        "  - {name: a, type: string, description: A., constraints: {required: true}}\n"
        "foreignKeys:\n  - {fields: [a], reference: {resource: OTHER, fields: [a]}}\n"
    )
    for name, other in (("one", "two"), ("two", "one")):
        made = text.replace("NAME", name).replace("OTHER", other)
        (tmp_path / f"{name}.yaml").write_text(made)
    with pytest.raises(ContractError, match="circle"):
        read_contracts(tmp_path)
    (tmp_path / "two.yaml").unlink()
    with pytest.raises(ContractError, match="no contract"):
        read_contracts(tmp_path)
    (tmp_path / "one.yaml").write_text("$schema: [\n")
    with pytest.raises(ContractError, match="not valid YAML"):
        read_contracts(tmp_path)


def test_tables_and_views_can_be_made_and_agree_with_frames() -> None:
    connection = duckdb.connect()
    for name, contract in load_contracts().items():
        for statement in record_ddl(contract):
            connection.execute(statement)
        frame = connection.table(name).pl()
        assert dict(frame.schema) == {
            column: pl.Datetime("us", frame.schema[column].time_zone)  # type: ignore[attr-defined]
            if contract.field(column).type == "datetime"
            else kind
            for column, kind in contract.polars_schema.items()
        }
        stored = [c[0] for c in connection.execute(f"DESCRIBE {name}_rows").fetchall()]
        assert stored == [*contract.columns, *PROVENANCE]


def test_the_dictionary_names_every_column() -> None:
    dictionary = data_dictionary(load_contracts())
    assert dictionary.height == sum(len(c.fields) for c in load_contracts().values())
    row = dictionary.row(
        by_predicate=(pl.col("table") == "weighings") & (pl.col("column") == "gross_kg"),
        named=True,
    )
    assert (row["unit"], row["allowed"], row["is_required"]) == ("kg", "5.0 to 250.0", True)
