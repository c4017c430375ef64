"""What a form server exports: tables whose headings are ``record/column``.

A column of a group stands under the group's name: ``weighings/gross_kg``, with ``/``, ``-``, ``:``
or ``.`` between them. Beside them stand the form's own questions and what the server and the
phone add; those are not data of any record. Everything else is refused by name, so that no answer
is lost unseen.

References
----------
ODK XForms specification (the open standard behind XLSForm): groups are parts of a node's path;
metadata start, end, today, deviceid, username and the like; the meta block with instanceID.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.contracts import Contract
from pipeline.errors import ContractError
from pipeline.mapping.plan import ColumnPlan, RecordPlan, TablePlan
from pipeline.phone_form import CHOSEN, COLONY, DAY, FORM_RECORDS

_BETWEEN = re.compile(r"[/:.\-]")
_METADATA = re.compile(
    r"_.*|start|end|today|deviceid|device_id|subscriberid|simserial|phonenumber|phone_number"
    r"|username|email|audit|key|submi\w*|(.*[/:.\-])?(meta|instance_?(id|name)|deprecatedid)"
    r"([/:.\-].*)?",
    re.IGNORECASE,
)


def _record_and_column(heading: str, contracts: Mapping[str, Contract]) -> tuple[str, str] | None:
    """Read the last two parts of a heading's path as record and column, when they are."""
    *_, record, column = ["", "", *_BETWEEN.split(heading)]
    if record in FORM_RECORDS and column in contracts[record].columns:
        return record, column
    return None


def _is_of_form(heading: str) -> bool:
    first = _BETWEEN.split(heading)[0]
    return first in (COLONY, DAY, CHOSEN) or bool(_METADATA.fullmatch(heading))


def is_form_export(header: Sequence[str], contracts: Mapping[str, Contract]) -> bool:
    """Whether any heading is a column of a record under the record's name."""
    return any(_record_and_column(heading, contracts) for heading in header)


def form_plan(header: Sequence[str], contracts: Mapping[str, Contract], place: str) -> TablePlan:
    """Plan the rows of a form's export: each record's part of a row is a row of the record.

    A part of which nothing but what the form reckons by itself is filled was not chosen.

    Parameters
    ----------
    header : sequence of str
        The headings.
    contracts : mapping of str to Contract
        All records.
    place : str
        File and sheet, for messages.

    Raises
    ------
    ContractError
        A heading is neither a record's column nor known metadata, two headings mean one column,
        or a record lacks a column that its rows must have.
    """
    found: dict[str, dict[str, str]] = {}
    for heading in header:
        named = _record_and_column(heading, contracts)
        if named is None and not _is_of_form(heading):
            raise ContractError(
                f"{place}: the heading {heading!r} is no question of the visit form.",
                mend="Remove that column, or write a mapping for this file.",
            )
        if named is None:
            continue
        record, column = named
        other = found.setdefault(record, {}).setdefault(column, heading)
        if other != heading:
            raise ContractError(
                f"{place}: {other!r} and {heading!r} both mean {record}/{column}.",
                mend="Keep one of the two columns.",
            )
    plans = []
    for record, columns in found.items():
        contract = contracts[record]
        needed = [f.name for f in contract.fields if f.is_required and f.default is None]
        missing = [f"{record}/{name}" for name in needed if name not in columns]
        if missing:
            raise ContractError(
                f"{place} lacks {', '.join(missing)}.",
                mend="Export every question of the form, with the names of its groups.",
            )
        reckoned = {"colony_id", "winter", FORM_RECORDS[record]}
        defaults = {f.name for f in contract.fields if f.default is not None}
        answers = [h for name, h in columns.items() if name not in reckoned | defaults]
        if not answers:
            raise ContractError(
                f"{place} holds no answers to {record}.",
                mend="Export every question of the form, with the names of its groups.",
            )
        plans.append(
            RecordPlan(
                record,
                tuple(ColumnPlan(name, pl.col(h), None, h) for name, h in columns.items()),
                pl.any_horizontal(pl.col(answers).is_not_null()),
            )
        )
    return TablePlan(tuple(plans))
