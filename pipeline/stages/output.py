"""Checks of a derived table against its contract."""

from __future__ import annotations

import polars as pl

from pipeline.contracts import Contract, Field
from pipeline.errors import ContractError


def _faults(table: pl.DataFrame, field: Field) -> list[str]:
    """What is wrong with one column, each in a few words."""
    column = table.get_column(field.name)
    faults = []
    if field.is_required and column.null_count():
        faults.append(f"is empty in {column.null_count()} rows")
    if field.type == "number":
        bad = column.is_finite().not_().sum()
        if bad:
            faults.append(f"is not a finite number in {bad} rows")
    if field.enum:
        strange = column.drop_nulls().unique().sort()
        strange = strange.filter(~strange.is_in(list(field.enum)))
        if len(strange):
            faults.append(f"holds {strange[0]!r}, which is not one of its values")
    for limit, is_outside in (
        (field.minimum, lambda bound: column < bound),
        (field.maximum, lambda bound: column > bound),
    ):
        if limit is not None and is_outside(limit).any():
            faults.append(f"goes beyond {limit}")
    return faults


def check_output(table: pl.DataFrame, contract: Contract) -> None:
    """Refuse a derived table that does not keep its contract.

    Columns must be those of the contract in its order and of its types; required columns full,
    numbers finite, values within enumerations and limits; the key unique and the rows sorted by it.

    Raises
    ------
    ContractError
        Names the table and everything that is wrong with it.
    """
    if dict(table.schema) != contract.polars_schema or tuple(table.columns) != contract.columns:
        wrong = [
            f"{name} ({table.schema.get(name, 'absent')} for {kind})"
            for name, kind in contract.polars_schema.items()
            if table.schema.get(name) != kind
        ]
        wrong += [
            f"{name} (not expected)" for name in table.columns if name not in contract.columns
        ]
        problems = [f"columns differ: {', '.join(wrong) or 'their order'}"]
    else:
        problems = [
            f"{field.name} {fault}" for field in contract.fields for fault in _faults(table, field)
        ]
        key = table.select(contract.key)
        if key.is_duplicated().any():
            problems.append(f"the key {', '.join(contract.key)} is not unique")
        if not key.equals(key.sort(contract.key)):
            problems.append("rows are not sorted by the key")
    if problems:
        raise ContractError(
            f"The derived table {contract.name} does not keep its contract: {'; '.join(problems)}.",
            mend="Report this with the study's settings; nothing was written.",
        )
