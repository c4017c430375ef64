"""Which record a table holds, told by its headings alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import PurePath

from pipeline.contracts import Contract
from pipeline.errors import ContractError


def plain_heading(heading: str) -> str:
    """Reduce a heading to a column's spelling: no capitals, ``_`` for blanks and hyphens.

    Examples
    --------
    >>> plain_heading(" Gross-kg "), plain_heading("Weighed  on")
    ('gross_kg', 'weighed_on')
    """
    return "_".join(heading.casefold().replace("-", " ").replace("_", " ").split())


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
        The headings; capitals, blanks and hyphens do not matter.
    contracts : mapping of str to Contract
        All records.
    file_name, sheet : str
        Where the table stands, for messages and to settle a tie.

    Raises
    ------
    ContractError
        The headings fit no contract, or several; the message names the nearest contract and the
        columns that differ.
    """
    headings = {plain_heading(heading): heading for heading in header}
    where = f"{file_name}, sheet {sheet!r}" if sheet else file_name
    fitting = [
        contract
        for contract in contracts.values()
        if _needed(contract) <= headings.keys() <= set(contract.columns)
    ]
    if len(fitting) > 1:
        stem = sheet or file_name.partition(".")[0]
        named = [c for c in fitting if c.name == plain_heading(PurePath(stem).name)]
        fitting = named or fitting
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        names = ", ".join(contract.name for contract in fitting)
        raise ContractError(
            f"{where}: its headings fit several records: {names}.",
            mend="Name the sheet or file after the record, or write a mapping.",
        )
    nearest = max(contracts.values(), key=lambda contract: _nearness(contract, set(headings)))
    missing = sorted(_needed(nearest) - headings.keys())
    foreign = [headings[name] for name in headings if name not in nearest.columns]
    differences = []
    if missing:
        differences.append(f"missing {', '.join(missing)}")
    if foreign:
        differences.append(f"unknown {', '.join(repr(heading) for heading in foreign)}")
    raise ContractError(
        f"{where}: its headings fit no record; nearest is {nearest.name}: "
        f"{'; '.join(differences)}.",
        mend=f"Use the headings of the {nearest.name} template, or write a mapping for this file.",
    )


def _needed(contract: Contract) -> set[str]:
    return {f.name for f in contract.fields if f.is_required and f.default is None}


def _nearness(contract: Contract, headings: set[str]) -> tuple[float, float]:
    """Share of all columns in play that agree; among equals the required ones decide."""
    shared = headings & set(contract.columns)
    needed = _needed(contract)
    return (
        len(shared) / len(headings | set(contract.columns)) + len(shared & needed) / len(needed),
        len(shared),
    )
