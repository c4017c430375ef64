"""A table's headings and the mappings of its file to the plan that ingest applies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from fnmatch import fnmatchcase

import polars as pl

from pipeline.contracts import Contract
from pipeline.errors import MappingError
from pipeline.mapping.columns import SourceTable, column_plans
from pipeline.mapping.form_export import form_plan, is_form_export
from pipeline.mapping.numbers import number
from pipeline.mapping.plan import ColumnPlan, RecordPlan, TablePlan
from pipeline.mapping.spec import Condition, RecordMapping, TableMapping
from pipeline.mapping.spec import Mapping as MappingFile
from pipeline.readers import ReadOptions
from pipeline.recognise import column_of, recognise


def _tables_of(file_name: str, mappings: Iterable[MappingFile]) -> list[TableMapping]:
    name = file_name.casefold()
    return [
        table
        for mapping in mappings
        for table in mapping.tables
        if any(fnmatchcase(name, pattern.casefold()) for pattern in table.files)
    ]


def read_options(file_name: str, mappings: Iterable[MappingFile]) -> ReadOptions:
    """Gather how the mappings of a file want it read.

    Raises
    ------
    MappingError
        Two mappings of the file disagree.
    """
    tables = _tables_of(file_name, mappings)

    def agreed(key: str) -> str | None:
        given = {getattr(table, key) for table in tables} - {None}
        if len(given) > 1:
            raise MappingError(
                f"{', '.join(dict.fromkeys(t.origin for t in tables))} give {file_name} "
                f"different values of {key}.",
                mend="Make them agree.",
            )
        return next(iter(given), None)

    return ReadOptions(
        delimiter=agreed("delimiter"),
        encoding=agreed("encoding"),
        decimal=agreed("decimal"),
        skip_rows=next((t.skip_rows for t in tables if t.sheet == "*"), 0),
        skip_rows_of=tuple((t.sheet, t.skip_rows) for t in tables if t.sheet != "*"),
        unchecked_sheets=tuple(t.sheet for t in tables if t.set_aside is not None),
    )


def plan_table(
    file_name: str,
    sheet: str,
    header: Sequence[str],
    mappings: Iterable[MappingFile],
    contracts: Mapping[str, Contract],
    *,
    decimal: str = ".",
) -> TablePlan:
    """Decide what becomes of a table: by its mapping, or by its headings if it has none.

    Parameters
    ----------
    file_name, sheet : str
        Where the table stands.
    header : sequence of str
        Its headings.
    mappings : iterable of Mapping
        All mappings of the study.
    contracts : mapping of str to Contract
        All records.
    decimal : str
        The decimal mark of its numbers, as the reader found it.

    Raises
    ------
    MappingError
        The mapping does not fit the table or a contract, or several mappings claim the table.
    ContractError
        There is no mapping and the headings fit no contract, or several.
    """
    fitting = [t for t in _tables_of(file_name, mappings) if fnmatchcase(sheet, t.sheet)]
    named = [t for t in fitting if t.sheet != "*"]
    tables = named or fitting
    place = f"{file_name}, sheet {sheet!r}" if sheet else file_name
    if len(tables) > 1:
        raise MappingError(
            f"{place} is claimed by several mappings: {', '.join(t.origin for t in tables)}.",
            mend="Make their files and sheet patterns differ.",
        )
    if not tables and is_form_export(header, contracts):
        return form_plan(header, contracts, place)
    if not tables:
        contract = recognise(header, contracts, file_name, sheet)
        return TablePlan((_own_columns(contract, header, decimal),))
    mapping = tables[0]
    if mapping.set_aside is not None:
        return TablePlan((), pl.lit(True), pl.lit(mapping.set_aside), mapping.origin)
    table = SourceTable(place, tuple(header), mapping, mapping.decimal or decimal)
    plan = _mapped(table, contracts)
    _refuse_unaccounted(table)
    return plan


def _own_columns(contract: Contract, header: Sequence[str], decimal: str) -> RecordPlan:
    columns = []
    for heading in header:
        field = contract.field(column_of(heading, contract) or heading)
        text = pl.col(heading)
        typed = number(text, decimal) if field.type == "number" and decimal == "," else None
        columns.append(ColumnPlan(field.name, text, typed, heading))
    return RecordPlan(contract.name, tuple(columns))


def _mapped(table: SourceTable, contracts: Mapping[str, Contract]) -> TablePlan:
    mapping = table.mapping
    ignored: pl.Expr | None = None
    reason: pl.Expr | None = None
    if mapping.ignored:
        tests = [_where(table, part.where) for part in mapping.ignored]
        reasons = [part.reason for part in mapping.ignored]
        ignored = pl.any_horizontal(tests)
        reason = pl.coalesce(
            pl.when(test).then(pl.lit(words)) for test, words in zip(tests, reasons, strict=True)
        )
    records = []
    for part in mapping.records:
        contract = _contract(part, mapping, contracts)
        where = table.holds(part.where)
        if ignored is not None:
            where = ~ignored if where is None else where & ~ignored
        records.append(
            RecordPlan(contract.name, column_plans(part.columns, contract, table), where)
        )
    return TablePlan(tuple(records), ignored, reason, mapping.origin)


def _where(table: SourceTable, conditions: tuple[Condition, ...]) -> pl.Expr:
    found = table.holds(conditions)
    return pl.lit(True) if found is None else found


def _contract(
    part: RecordMapping, mapping: TableMapping, contracts: Mapping[str, Contract]
) -> Contract:
    if part.record not in contracts:
        near = get_close_matches(part.record, contracts, n=1)
        raise MappingError(
            f"{mapping.origin}: there is no record {part.record!r}.",
            mend=f"Use {near[0]!r}." if near else f"Use one of: {', '.join(contracts)}.",
        )
    return contracts[part.record]


def _refuse_unaccounted(table: SourceTable) -> None:
    """Refuse a heading that the mapping neither reads nor names as unused."""
    mapping = table.mapping
    read: set[str] = set()

    def note(names: Iterable[str]) -> None:
        read.update(found for n in names if (found := table.heading(n, True)) is not None)

    for record in mapping.records:
        note(condition.column for condition in record.where)
        for column in record.columns:
            note(column.sources)
            note(condition.column for condition in column.when)
    for part in mapping.ignored:
        note(condition.column for condition in part.where)
    if mapping.identity:
        note([mapping.identity.tag, *mapping.identity.on.sources])
    left = [
        heading
        for heading in table.header
        if heading not in read and not any(fnmatchcase(heading, p) for p in mapping.unused)
    ]
    if left:
        raise MappingError(
            f"{table.place} has headings that {mapping.origin} does not speak of: "
            f"{', '.join(repr(heading) for heading in left)}.",
            mend=f"Map them, or list them under unused in {mapping.origin}.",
        )
