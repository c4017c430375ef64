"""A form for phones, written from the contracts as an XLSForm.

One entry is one visit to one colony: the day, the colony, and what was done or found. Each record
is a group of the form that shows only when chosen. The colony, the day and the winter are asked
once and reckoned into every group, so that what a form server exports holds whole rows of records
under headings ``record/column``; ``pipeline/mapping/form_export.py`` reads them.

References
----------
XLSForm (xlsform.org), as its reference page describes it: sheets survey, choices and settings;
the XPath functions are those of the ODK XForms specification.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.contracts import Contract, Field, contracts_fingerprint
from pipeline.languages import DEFAULT, Words, languages, words
from pipeline.workbook_file import new_workbook

FORM_RECORDS = {
    "strength_inspections": "inspected_on",
    "weighings": "weighed_on",
    "mite_counts": "sampled_on",
    "feedings": "fed_on",
    "winter_outcomes": "checked_on",
}
"""The records a visit may bring, and the column of each that is the day of the visit."""
COLONY, DAY, CHOSEN = "visit_colony", "visit_day", "visit_records"
"""The form's own questions."""
# The contracts' pattern of names for programs whose \w knows ASCII only: Latin letters by range.
_NAME = "^[A-Za-z0-9_À-ÖØ-öø-ɏ.:/#][A-Za-z0-9_À-ÖØ-öø-ɏ .:/#\\-]{0,63}$"
_TYPES = {"integer": "integer", "number": "decimal", "date": "date", "string": "text"}

Row = dict[str, Any]


def _label_columns(kind: str) -> dict[str, str]:
    """Headings of the texts in each language: ``label::English (en)``."""
    return {code: f"{kind}::{words(code).name} ({code})" for code in languages()}


def _said(kind: str, text: Any) -> Row:
    """One text in every language: ``text`` is a function of a language's words."""
    return {column: text(words(code)) for code, column in _label_columns(kind).items()}


def _plain_label(field: Field, w: Words) -> str:
    """A column as a question: its heading, the unit only in brackets.

    Examples
    --------
    >>> from pipeline.contracts import load_contracts
    >>> _plain_label(load_contracts()["weighings"].field("gross_kg"), words())
    'Gross [kg]'
    """
    name = w.headings.get(field.name, field.name.replace("_", " "))
    if field.unit and field.name not in w.headings:
        name = name.removesuffix(f" {field.unit}")
    unit = f" [{w.unit(field.unit)}]" if field.unit else ""
    return name[:1].upper() + name[1:] + unit


def _hint(field: Field, w: Words) -> str:
    return w.descriptions.get(field.name, field.description if w.code == DEFAULT else "")


def _limit(value: float, w: Words) -> str:
    return w.number(value, 0 if float(value).is_integer() else 1)


def _bounds(field: Field) -> tuple[list[str], Any]:
    """Conditions of the column's own range, and the sentence that says them."""
    low, high, unit = field.minimum, field.maximum, field.unit
    if field.type == "date":
        if not field.is_not_after_today:
            return [], None
        return [". <= today()"], lambda w: w("form.not_after_today")
    if field.type not in ("number", "integer"):
        return [], None
    tests = [f". >= {low}"] if low is not None else []
    tests += [f". <= {high}"] if high is not None else []

    def sentence(w: Words) -> str:
        shown = f"\u00a0{w.unit(unit)}" if unit else ""
        if low is None or high is None:
            key, name = ("form.from", "low") if high is None else ("form.up_to", "high")
            return w(key, unit=shown, **{name: _limit(low if high is None else high, w)})
        return w("form.bounds", low=_limit(low, w), high=_limit(high, w), unit=shown)

    return tests, sentence if tests else None


def _rules(contract: Contract, field: Field) -> tuple[list[str], list[str], list[Any]]:
    """What the contract's rules on other columns add: constraints, when required, sentences."""
    tests: list[str] = []
    required: list[str] = []
    sentences: list[Any] = []
    for rule in contract.rules:
        if rule.column != field.name:
            continue
        other = f"../{rule.other}"
        if rule.kind == "at_most":
            tests.append(f"({other} = '' or . <= {other})")
            name = contract.field(rule.other)
            sentences.append(lambda w, name=name: w("form.at_most", other=_plain_label(name, w)))
        elif rule.kind == "on_or_after":
            tests.append(f"({other} = '' or . >= {other})")
        elif rule.kind == "required_when":
            required += [f"{other} = '{value}'" for value in rule.values]
        elif rule.kind == "required_with":
            required.append(f"{other} != ''")
    return tests, required, sentences


def _winter(contract: Contract, day: str) -> str:
    """The winter a day belongs to, from the contract's own rule: XPath over the day's text."""
    month = 7
    for rule in contract.rules:
        if rule.kind == "in_winter" and rule.column == FORM_RECORDS[contract.name]:
            month = int(rule.from_day[:2])
    year = f"number(format-date({day}, '%Y'))"
    return f"if(number(format-date({day}, '%n')) >= {month}, {year}, {year} - 1)"


def _question(contract: Contract, field: Field) -> Row:
    """One column as a row of the survey sheet."""
    if field.name == "colony_id":
        return {"type": "calculate", "name": field.name, "calculation": f"${{{COLONY}}}"}
    if field.name == FORM_RECORDS[contract.name]:
        return {"type": "calculate", "name": field.name, "calculation": f"${{{DAY}}}"}
    if field.name == "winter":
        reckoned = _winter(contract, f"${{{DAY}}}")
        return {"type": "calculate", "name": field.name, "calculation": reckoned}
    tests, sentence = _bounds(field)
    more, required, sentences = _rules(contract, field)
    kind = f"select_one {contract.name}_{field.name}" if field.enum else _TYPES[field.type]
    row: Row = {"type": kind, "name": field.name}
    row |= _said("label", lambda w: _plain_label(field, w))
    row |= _said("hint", lambda w: _hint(field, w))
    if field.is_required:
        row["required"] = "yes"
    elif required:
        row["required"] = " or ".join(required)
        row["relevant"] = row["required"]
    if field.default is not None:
        row["default"] = str(field.default)
    said = [*([sentence] if sentence else []), *sentences]
    if tests or more:
        row["constraint"] = " and ".join([*tests, *more])
        row |= _said("constraint_message", lambda w: " ".join(say(w) for say in said))
    return row


def survey_rows(contracts: dict[str, Contract]) -> list[Row]:
    """Rows of the survey sheet: what a visit is asked, then a group a record."""
    rows: list[Row] = [{"type": "start", "name": "start"}, {"type": "end", "name": "end"}]
    rows.append(
        {"type": "text", "name": COLONY, "required": "yes", "constraint": f"regex(., '{_NAME}')"}
        | _said("label", lambda w: w("form.colony_id"))
        | _said("hint", lambda w: w("form.colony_hint"))
        | _said("constraint_message", lambda w: w("form.pattern"))
    )
    rows.append(
        {"type": "date", "name": DAY, "required": "yes", "constraint": ". <= today()"}
        | {"default": "today()"}
        | _said("label", lambda w: w("form.visited_on"))
        | _said("constraint_message", lambda w: w("form.not_after_today"))
    )
    rows.append(
        {"type": "select_multiple records", "name": CHOSEN, "required": "yes"}
        | _said("label", lambda w: w("form.what"))
        | _said("hint", lambda w: w("form.what_hint"))
    )
    for name in FORM_RECORDS:
        contract = contracts[name]
        title = _said("label", lambda w, c=contract: _record_label(c, w))
        shown = {"relevant": f"selected(${{{CHOSEN}}}, '{name}')"}
        rows.append({"type": "begin_group", "name": name} | title | shown)
        rows += [_question(contract, field) for field in contract.fields]
        rows.append({"type": "end_group"})
    return rows


def _record_label(contract: Contract, w: Words) -> str:
    name = w.records.get(contract.name, contract.title)
    return name[:1].upper() + name[1:]


def choice_rows(contracts: dict[str, Contract]) -> list[Row]:
    """Rows of the choices sheet; a choice's name is the contract's own word."""
    rows = [
        {"list_name": "records", "name": name}
        | _said("label", lambda w, c=contracts[name]: _record_label(c, w))
        for name in FORM_RECORDS
    ]
    for name in FORM_RECORDS:
        for field in contracts[name].fields:
            for value in field.enum:
                label = _said("label", lambda w, v=str(value): w.word(v))
                rows.append({"list_name": f"{name}_{field.name}", "name": str(value)} | label)
    return rows


def write_phone_form(path: Path, contracts: dict[str, Contract]) -> None:
    """Write the form as an ``.xlsx`` XLSForm in every language.

    Parameters
    ----------
    path : Path
        The file.
    contracts : dict of str to Contract
        All records.
    """
    first = words(DEFAULT)
    settings = {
        "form_title": first("form.title"),
        "form_id": "winterpool_visit",
        "version": contracts_fingerprint()[:12],
        "default_language": f"{first.name} ({first.code})",
    }
    sheets = {
        "survey": survey_rows(contracts),
        "choices": choice_rows(contracts),
        "settings": [settings],
    }
    with new_workbook(path, {"strings_to_formulas": False}) as workbook:
        for sheet_name, rows in sheets.items():
            sheet = workbook.add_worksheet(sheet_name)
            columns = list(dict.fromkeys(column for row in rows for column in row))
            sheet.write_row(0, 0, columns)
            for line, row in enumerate(rows, 1):
                for column, heading in enumerate(columns):
                    if row.get(heading, "") != "":
                        sheet.write_string(line, column, row[heading])
