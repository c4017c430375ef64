"""What to tell a member whose cell breaks a rule: one imperative sentence each."""

from __future__ import annotations

import re
from difflib import get_close_matches

from pipeline.contracts import Contract, Field, Rule

_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_EXPONENT = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)[eE][+-]?\d{1,2}")
_DAY_NUMBER = re.compile(r"[2-5]\d{4}(?:\.\d+)?")
"""A day as spreadsheets count them, from 1954 to 2064."""
_TWO_YEARS = re.compile(r"(\d{4})\s*[/–-]\s*(?:\d\d)?\d\d")
_NO_OFFSET = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d")
_LONGEST_QUOTED = 60
"""Characters of a cell that a sentence repeats; longer ones are no slip of the pen."""
_KIND = {
    "integer": "a whole number, in digits only",
    "number": "a plain number, with a decimal point and no unit",
    "date": "year-month-day, like 2024-10-05, or name its format in a mapping",
    "datetime": "the moment with seconds and its offset from UTC, like 2024-10-05T07:00:00+01:00, "
    "or name its format and time zone in a mapping",
    "string": "text",
}


def _unit(field: Field) -> str:
    return f" {field.unit}" if field.unit else ""


def type_mend(field: Field, value: str) -> str:
    """Say how to write a value that could not be read as its column's type.

    Examples
    --------
    >>> from pipeline.contracts import load_contracts
    >>> type_mend(load_contracts()["weighings"].field("gross_kg"), "31,5")
    'Write gross_kg with a decimal point: 31.5.'
    """
    if len(value) > _LONGEST_QUOTED:
        value = ""
    if field.type == "number" and _DECIMAL_COMMA.fullmatch(value):
        return f"Write {field.name} with a decimal point: {value.replace(',', '.')}."
    if field.type == "number" and _EXPONENT.fullmatch(value):
        return f"Write {field.name} as a plain number: {float(value):f}."
    if field.type == "integer" and re.fullmatch(r"[+-]?\d+\.0+", value):
        return f"Write {field.name} as a whole number: {value.split('.', maxsplit=1)[0]}."
    if field.type == "date" and _DAY_NUMBER.fullmatch(value):
        return (
            f"Write {field.name} as {_KIND['date']}; {value} is a spreadsheet's own number for a "
            "day: give the column a date format there before saving."
        )
    if field.name == "winter" and (both := _TWO_YEARS.fullmatch(value)):
        return f"Write winter as the year in which it starts: {both[1]}."
    if field.type == "datetime" and _NO_OFFSET.fullmatch(value):
        return (
            f"Add the offset from UTC to {field.name}, like {value}+01:00, "
            "or give the time zone in a mapping."
        )
    if field.type == "boolean":
        yes, no = ", ".join(field.true_values), ", ".join(field.false_values)
        return f"Write {field.name} as one of {yes}, or one of {no}."
    return f"Write {field.name} as {_KIND[field.type]}."


def required_mend(field: Field) -> str:
    """Say that a cell must not be empty, and what belongs in it."""
    return f"Fill in {field.name}: {field.description[0].lower()}{field.description[1:]}"


def limit_mend(field: Field) -> str:
    """Name the limits of a column."""
    unit = _unit(field)
    if field.minimum is not None and field.maximum is not None:
        limits = f"from {field.minimum} to {field.maximum}{unit}"
    elif field.minimum is not None:
        limits = f"of {field.minimum}{unit} or more"
    else:
        limits = f"of {field.maximum}{unit} or less"
    check = "check the value and its unit" if field.unit else "check the value"
    return f"Give a {field.name} {limits}; {check}."


def enum_mend(field: Field, value: str) -> str:
    """Name the allowed values, the nearest to what was written first.

    Examples
    --------
    >>> from pipeline.contracts import load_contracts
    >>> enum_mend(load_contracts()["weighings"].field("method"), "scales")
    'Write "scale" if that is meant; allowed are: scale, luggage scale, frame estimate.'
    """
    allowed = [str(item) for item in field.enum]
    by_lower = {item.lower(): item for item in allowed}
    near = get_close_matches(value[:_LONGEST_QUOTED].strip().lower(), by_lower, n=1, cutoff=0.6)
    listed = ", ".join(allowed)
    if near:
        return f'Write "{by_lower[near[0]]}" if that is meant; allowed are: {listed}.'
    shown = value[:_LONGEST_QUOTED]
    return f"Write {field.name} as one of: {listed}; or recode {shown!r} in a mapping."


def pattern_mend(field: Field) -> str:
    """Say which characters a column takes."""
    if field.pattern and field.pattern.startswith(r"[\w.:/#][\w .:/#-]"):
        return (
            f"Write {field.name} with 1 to 64 letters, digits, spaces or any of . : / # - _ only, "
            "and not - at the start."
        )
    if field.pattern == "[A-Z]{3}":
        return f"Write {field.name} as three capital letters, like EUR."
    return f"Write {field.name} in the form {field.pattern}."


def length_mend(field: Field) -> str:
    """Say how long a text may be."""
    return f"Shorten {field.name} to {field.max_length} characters."


def today_mend(field: Field) -> str:
    """Say that a date lies in the future."""
    return f"Correct {field.name}: it lies after today; check day, month and year."


def rule_mend(contract: Contract, rule: Rule) -> str:
    """Say how to satisfy a rule on several columns."""
    if rule.kind == "at_most":
        return f"Check {rule.column} and {rule.other}: the first must not exceed the second."
    if rule.kind == "on_or_after":
        return f"Check the dates: {rule.column} must not lie before {rule.other}."
    if rule.kind == "required_when":
        values = ", ".join(str(value) for value in rule.values)
        return f"Fill in {rule.column}, needed when {rule.other} is one of: {values}."
    if rule.kind == "required_with":
        return f"Fill in {rule.column}, needed when {rule.other} is given."
    if rule.kind == "any_of":
        return f"Fill in at least one of: {', '.join(rule.columns)}."
    if rule.kind == "in_winter":
        return (
            f"Check {rule.column} and {rule.winter}: the date must lie from {rule.from_day} of "
            f"that year to {rule.to_day} of the next; a winter is named by the year it starts."
        )
    field = contract.field(rule.column)
    return (
        f"Check {rule.column}: it must not exceed {rule.other}{_unit(field)} of its row in "
        f"{rule.reference}."
    )
