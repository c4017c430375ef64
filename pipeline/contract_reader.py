"""Contract files: YAML to contracts, refusing every keyword that is not enforced.

A contract is a Table Schema (version 2) restricted to the keywords that are enforced; any
other keyword is refused by name, so that no contract promises a check nobody runs.

References
----------
Table Schema, Data Package standard version 2.0, for the standard keywords; the keywords
under ``winterpool`` are our own.
"""

from __future__ import annotations

import re
from datetime import date
from graphlib import CycleError, TopologicalSorter
from importlib.resources.abc import Traversable
from typing import Any

import yaml

from pipeline.contracts import (
    DATE_FORMAT,
    DATETIME_FORMAT,
    POLARS_TYPES,
    Contract,
    Field,
    Reference,
    Rule,
)
from pipeline.errors import ContractError

SCHEMA = "https://datapackage.org/profiles/2.0/tableschema.json"
_TABLE_KEYS = {
    "$schema",
    "name",
    "title",
    "description",
    "missingValues",
    "fields",
    "primaryKey",
    "foreignKeys",
    "winterpool",
}
_FIELD_KEYS = {
    "name",
    "type",
    "format",
    "description",
    "title",
    "trueValues",
    "falseValues",
    "constraints",
    "winterpool",
}
_CONSTRAINTS = {
    "string": {"required", "enum", "pattern", "maxLength"},
    "integer": {"required", "minimum", "maximum", "enum"},
    "number": {"required", "minimum", "maximum"},
    "boolean": {"required"},
    "date": {"required", "minimum", "maximum"},
    "datetime": {"required"},
}
_FIELD_EXTRAS = {"unit", "private", "not_after_today", "default"}
_RULES = {
    "at_most": {"column", "other"},
    "on_or_after": {"column", "other"},
    "required_when": {"column", "other", "values"},
    "required_with": {"column", "other"},
    "any_of": {"columns"},
    "in_winter": {"column", "winter", "from", "to"},
    "at_most_referenced": {"column", "reference", "on", "other"},
}


def _refuse_unknown(given: dict[str, Any], known: set[str], place: str) -> None:
    unknown = sorted(set(given) - known)
    if unknown:
        raise ContractError(
            f"{place}: the keyword {unknown[0]!r} is not enforced.",
            mend=f"Remove it, or use one of: {', '.join(sorted(known))}.",
        )


def _mapping(value: Any, place: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ContractError(f"{place} is not a mapping.", mend="Write it as keyword: value lines.")
    return value


def _limit(value: Any, kind: str, place: str) -> Any:
    """Return a limit or default in the column's own type."""
    if value is None:
        return None
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if kind == "number" and is_number:
        return float(value)
    if (kind == "integer" and is_number and value == int(value)) or (
        kind == "boolean" and isinstance(value, bool)
    ):
        return value
    if kind == "string" and isinstance(value, str):
        return value
    if kind == "date":
        try:
            return value if isinstance(value, date) else date.fromisoformat(str(value))
        except ValueError:
            pass
    raise ContractError(f"{place}: {value!r} is no {kind}.", mend=f"Write a {kind}.")


def _field(given: dict[str, Any], table: str) -> Field:
    place = f"{table}.{given.get('name', '?')}"
    _refuse_unknown(given, _FIELD_KEYS, place)
    kind = given.get("type")
    if not given.get("name") or not given.get("description") or kind not in POLARS_TYPES:
        raise ContractError(
            f"{place}: a field needs a name, a description and a type.",
            mend=f"Give all three; the types are: {', '.join(POLARS_TYPES)}.",
        )
    limits = _mapping(given.get("constraints", {}), f"{place}.constraints")
    extras = _mapping(given.get("winterpool", {}), f"{place}.winterpool")
    _refuse_unknown(limits, _CONSTRAINTS[kind], f"{place}.constraints")
    _refuse_unknown(extras, _FIELD_EXTRAS, f"{place}.winterpool")
    expected = {"date": DATE_FORMAT, "datetime": DATETIME_FORMAT}.get(kind, "default")
    format_ = given.get("format", "default" if kind == "datetime" else expected)
    if format_ != expected:
        raise ContractError(
            f"{place}: the format {format_!r} is not enforced for a {kind}.",
            mend=f"Write {expected!r}.",
        )
    if (given.keys() & {"trueValues", "falseValues"}) and kind != "boolean":
        raise ContractError(f"{place}: only a boolean has trueValues.", mend="Remove them.")
    pattern = limits.get("pattern")
    try:
        re.compile(pattern or "")
    except re.error as error:
        raise ContractError(
            f"{place}: the pattern is no regular expression ({error}).", mend="Correct it."
        ) from None
    return Field(
        name=given["name"],
        type=kind,
        description=given["description"],
        title=given.get("title", given["name"]),
        format=format_,
        unit=extras.get("unit"),
        is_private=bool(extras.get("private", False)),
        is_required=bool(limits.get("required", False)),
        is_not_after_today=bool(extras.get("not_after_today", False)),
        default=_limit(extras.get("default"), kind, f"{place}.default"),
        minimum=_limit(limits.get("minimum"), kind, f"{place}.minimum"),
        maximum=_limit(limits.get("maximum"), kind, f"{place}.maximum"),
        enum=tuple(_limit(value, kind, f"{place}.enum") for value in limits.get("enum", ())),
        pattern=pattern,
        max_length=limits.get("maxLength"),
        true_values=tuple(given.get("trueValues", ("true", "True", "TRUE", "1"))),
        false_values=tuple(given.get("falseValues", ("false", "False", "FALSE", "0"))),
    )


def _rule(given: dict[str, Any], table: str) -> Rule:
    kind = given.get("rule", "?")
    if kind not in _RULES:
        raise ContractError(
            f"{table}: the rule {kind!r} is not enforced.",
            mend=f"Use one of: {', '.join(_RULES)}.",
        )
    place = f"{table}: rule {kind}"
    _refuse_unknown(given, {"rule", *_RULES[kind]}, place)
    absent = sorted(_RULES[kind] - set(given))
    if absent:
        raise ContractError(f"{place} lacks {absent[0]!r}.", mend="Add it.")
    plain: dict[str, Any] = {
        k: given[k] for k in ("column", "other", "winter", "reference") if k in given
    }
    lists: dict[str, Any] = {k: tuple(given[k]) for k in ("columns", "values", "on") if k in given}
    return Rule(kind, **plain, **lists, from_day=given.get("from", ""), to_day=given.get("to", ""))


def parse_contract(given: dict[str, Any], place: str) -> Contract:
    """Turn one parsed YAML document into a contract.

    Raises
    ------
    ContractError
        A keyword is not enforced, is missing or has a value of the wrong kind, or a key, reference
        or rule names a column that does not exist.
    """
    try:
        return _parsed(given, place)
    except (TypeError, ValueError, KeyError, AttributeError, OverflowError) as error:
        raise ContractError(
            f"{place}: something stands where something of another kind belongs ({error}).",
            mend="Compare it with another contract.",
        ) from None


def _parsed(given: dict[str, Any], place: str) -> Contract:
    _refuse_unknown(given, _TABLE_KEYS, place)
    name = given.get("name")
    if given.get("$schema") != SCHEMA or not name or not given.get("fields"):
        raise ContractError(
            f"{place}: a contract needs $schema, name and fields.",
            mend=f"Give all three; $schema is {SCHEMA}.",
        )
    extras = _mapping(given.get("winterpool", {}), f"{place}.winterpool")
    _refuse_unknown(extras, {"rules"}, f"{place}.winterpool")
    contract = Contract(
        name=name,
        title=given.get("title", name),
        description=given.get("description", ""),
        fields=tuple(_field(_mapping(f, place), name) for f in given["fields"]),
        key=tuple(given.get("primaryKey", ())),
        references=tuple(_reference(r, place) for r in given.get("foreignKeys", ())),
        rules=tuple(_rule(_mapping(r, place), name) for r in extras.get("rules", ())),
        missing_values=tuple(given.get("missingValues", [""])),
    )
    named = list(contract.key)
    for reference in contract.references:
        named += reference.columns
    for rule in contract.rules:
        named += [rule.column, rule.winter, *rule.columns, *rule.on]
        named += [] if rule.reference else [rule.other]
    missing = [column for column in named if column and column not in contract.columns]
    if missing or len(set(contract.columns)) != len(contract.columns):
        raise ContractError(
            f"{place}: a key, reference or rule names {missing[0]!r}, which is no column."
            if missing
            else f"{place}: two columns have the same name.",
            mend="Correct the name.",
        )
    may_be_empty = [c for c in contract.key if not contract.field(c).is_required]
    if may_be_empty or not contract.key:
        raise ContractError(
            f"{place}: the key must be given and its columns required.",
            mend="Name the primaryKey and mark each of its columns required.",
        )
    if "" not in contract.missing_values or any(m.strip() for m in contract.missing_values):
        raise ContractError(
            f"{place}: only the empty cell means a missing value.",
            mend='Write missingValues: [""].',
        )
    return contract


def _reference(given: dict[str, Any], place: str) -> Reference:
    _refuse_unknown(given, {"fields", "reference"}, f"{place}.foreignKeys")
    target = given["reference"]
    _refuse_unknown(target, {"resource", "fields"}, f"{place}.foreignKeys.reference")
    return Reference(tuple(given["fields"]), target["resource"], tuple(target["fields"]))


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):  # type: ignore[misc]
    """Safe YAML in which only true and false are booleans, so that ``on`` stays a word."""


_Loader.yaml_implicit_resolvers = {
    first: [(tag, form) for tag, form in resolvers if tag != "tag:yaml.org,2002:bool"]
    for first, resolvers in _Loader.yaml_implicit_resolvers.items()
}
_Loader.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile("^(?:true|false)$"), list("tf"))


def _documents(folder: Traversable) -> dict[str, dict[str, Any]]:
    """Parse every table contract in a folder; other lists kept there have no ``$schema``."""
    found = {}
    for item in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not item.name.endswith(".yaml"):
            continue
        try:
            text = item.read_text(encoding="utf-8")
            if "\n$schema:" not in f"\n{text}":
                continue
            found[item.name] = _mapping(yaml.load(text, Loader=_Loader), item.name)
        except yaml.YAMLError as error:
            raise ContractError(
                f"{item.name} is not valid YAML: {error}.", mend="Correct the line it names."
            ) from None
    return found


def _in_order(contracts: dict[str, Contract]) -> dict[str, Contract]:
    """Sort contracts so that what is referred to comes first; by name among equals."""
    needs: dict[str, set[str]] = {}
    for name, contract in sorted(contracts.items()):
        needs[name] = {reference.record for reference in contract.references} - {name}
        needs[name] |= {rule.reference for rule in contract.rules if rule.reference}
        for target in sorted(needs[name] - set(contracts)):
            raise ContractError(
                f"{name} refers to {target}, for which there is no contract.",
                mend="Correct the reference, or add the contract.",
            )
    try:
        return {name: contracts[name] for name in TopologicalSorter(needs).static_order()}
    except CycleError as error:
        raise ContractError(
            f"The contracts refer to each other in a circle: {' → '.join(error.args[1])}.",
            mend="Remove one of the references.",
        ) from None


def read_contracts(folder: Traversable) -> dict[str, Contract]:
    """Read every contract in a folder, what is referred to first.

    Raises
    ------
    ContractError
        A file is not YAML or not a contract, or contracts refer to each other in a circle.
    """
    contracts = {}
    for file_name, document in _documents(folder).items():
        contract = parse_contract(document, file_name)
        if f"{contract.name}.yaml" != file_name:
            raise ContractError(
                f"{file_name} is named {contract.name!r} inside.", mend="Make the two agree."
            )
        contracts[contract.name] = contract
    return _in_order(contracts)
