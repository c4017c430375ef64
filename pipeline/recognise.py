"""Which record a table holds, told by its headings alone.

A heading is a column's name, or its name in one of the languages. Its unit may stand behind it in
brackets, ``gross_kg [kg]``, and must then be the contract's own: ``gross_kg [lb]`` is no heading of
ours. A translated heading of a column with a unit needs it, for the name alone does not tell it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from pathlib import PurePath

from pipeline.contracts import Contract, Field
from pipeline.errors import ContractError
from pipeline.languages import languages, words

_MOST_SHOWN = 12
"""Headings that a sentence repeats."""
_WITH_UNIT = re.compile(r"(.*\S)\s*\[\s*([^\[\]]+?)\s*\]")


@lru_cache(maxsize=10_000)
def plain_heading(heading: str) -> str:
    """Reduce a heading to a column's spelling: no capitals, ``_`` for blanks and hyphens.

    Examples
    --------
    >>> plain_heading(" Gross-kg "), plain_heading("Weighed  on")
    ('gross_kg', 'weighed_on')
    """
    return "_".join(heading.casefold().replace("-", " ").replace("_", " ").split())


def _is_unit(text: str, field: Field) -> bool:
    names = {field.unit, *(words(code).unit(field.unit) for code in languages())}
    return text.casefold() in {name.casefold() for name in names if name}


@lru_cache(maxsize=10_000)
def column_of(heading: str, contract: Contract) -> str | None:
    """Return the contract's column that a heading names, or None.

    Examples
    --------
    >>> from pipeline.contracts import load_contracts
    >>> weighings = load_contracts()["weighings"]
    >>> [column_of(h, weighings) for h in ("Gross kg", "masse brute [kg]", "gross_kg [lb]")]
    ['gross_kg', 'gross_kg', None]
    """
    found = _WITH_UNIT.fullmatch(heading.strip())
    name, unit = found.groups() if found else (heading, None)
    plain = plain_heading(name)
    for field in contract.fields:
        is_own = plain == field.name
        if not is_own and plain not in _translations(field.name):
            continue
        if unit is None and (is_own or field.unit is None):
            return field.name
        if unit is not None and _is_unit(unit, field):
            return field.name
    return None


@cache
def _translations(column: str) -> frozenset[str]:
    headings = (words(code).headings.get(column) for code in languages())
    return frozenset(plain_heading(heading) for heading in headings if heading)


def is_named_after(contract: Contract, name: str) -> bool:
    """Whether a sheet or file bears the record's name, in any language."""
    names = {contract.name, *(words(code).record(contract.name) for code in languages())}
    return plain_heading(name) in {plain_heading(own) for own in names}


def recognise(
    header: Sequence[str], contracts: Mapping[str, Contract], file_name: str, sheet: str = ""
) -> Contract:
    """Return the contract whose columns the headings are.

    All columns that a row must have are among the headings, and no heading is foreign to the
    contract. Where that holds for several contracts, the one after which the sheet or the file
    is named is taken.

    Parameters
    ----------
    header : sequence of str
        The headings; capitals, blanks and hyphens do not matter. See ``column_of``.
    contracts : mapping of str to Contract
        All records.
    file_name, sheet : str
        Where the table stands, for messages and to settle a tie.

    Raises
    ------
    ContractError
        The headings fit no contract, or several, or two of them mean one column; the message
        names the nearest contract and the columns that differ.
    """
    meant = {name: [column_of(h, c) for h in header] for name, c in contracts.items()}
    where = f"{file_name}, sheet {sheet!r}" if sheet else file_name
    fitting = [
        contract
        for name, contract in contracts.items()
        if None not in meant[name] and _needed(contract) <= set(meant[name])
    ]
    if len(fitting) > 1:
        stem = sheet or file_name.partition(".")[0]
        named = [c for c in fitting if is_named_after(c, PurePath(stem).name)]
        fitting = named or fitting
    if len(fitting) == 1:
        _refuse_twice(header, fitting[0], where)
        return fitting[0]
    if fitting:
        names = ", ".join(contract.name for contract in fitting)
        raise ContractError(
            f"{where}: its headings fit several records: {names}.",
            mend="Name the sheet or file after the record, or write a mapping.",
        )
    near = max(contracts, key=lambda name: _nearness(contracts[name], meant[name]))
    nearest = contracts[near]
    if not any(meant[near]):
        shown = ", ".join(repr(heading) for heading in header[:_MOST_SHOWN])
        raise ContractError(
            f"{where}: none of its headings is one of a template: {shown}.",
            mend="Let the first row hold a template's headings (take away any title above them), "
            "or write a mapping for this file.",
        )
    foreign = [h for h, column in zip(header, meant[near], strict=True) if column is None]
    other_unit = {h: field for h in foreign if (field := _field_of_other_unit(h, nearest))}
    found = {field.name for field in other_unit.values()} | set(meant[near])
    missing = sorted(_needed(nearest) - found)
    unknown = [heading for heading in foreign if heading not in other_unit]
    differences = [f"missing {', '.join(missing)}"] if missing else []
    if unknown:
        differences.append(f"unknown {', '.join(repr(heading) for heading in unknown)}")
    differences += [f"{h!r} is not said to be in {f.unit}" for h, f in other_unit.items()]
    do = f"Use the headings of the {nearest.name} template"
    if other_unit:
        do += " and convert the values to their units"
    elif not unknown:
        do = f"Add and fill in {', '.join(missing)}, as in the {nearest.name} template"
    raise ContractError(
        f"{where}: its headings fit no record; nearest is {nearest.name}: "
        f"{'; '.join(differences)}.",
        mend=f"{do}, or write a mapping for this file.",
    )


def _field_of_other_unit(heading: str, contract: Contract) -> Field | None:
    """Return the column that a heading would name, had it the column's own unit."""
    found = _WITH_UNIT.fullmatch(heading.strip())
    plain = plain_heading(found[1] if found else heading)
    for field in contract.fields:
        if field.unit and (plain == field.name or plain in _translations(field.name)):
            return field
    return None


def _refuse_twice(header: Sequence[str], contract: Contract, where: str) -> None:
    seen: dict[str | None, str] = {}
    for heading in header:
        column = column_of(heading, contract)
        if column in seen:
            raise ContractError(
                f"{where}: the headings {seen[column]!r} and {heading!r} both mean {column}.",
                mend="Keep one of the two columns.",
            )
        seen[column] = heading


def _needed(contract: Contract) -> set[str]:
    return {f.name for f in contract.fields if f.is_required and f.default is None}


def _nearness(contract: Contract, meant: Sequence[str | None]) -> tuple[float, float]:
    """Share of all columns in play that agree; among equals the required ones decide."""
    shared = {column for column in meant if column is not None}
    in_play = len(contract.columns) + meant.count(None)
    needed = _needed(contract)
    return (len(shared) / in_play + len(shared & needed) / len(needed), len(shared))
