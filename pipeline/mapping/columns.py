"""One column's mapping to the expressions that read it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.contracts import Contract, Field
from pipeline.errors import MappingError
from pipeline.mapping.identity import colony_of
from pipeline.mapping.moments import ISO_LOCAL, day, example, has_offset, moment_utc
from pipeline.mapping.numbers import composed, measured, number
from pipeline.mapping.plan import ColumnPlan
from pipeline.mapping.spec import ColumnMapping, Condition, Constant, TableMapping, as_text
from pipeline.mapping.units import composite, conversion, unit

_EMPTY = "(empty)"
_SHARE = "mites per bee"
_NEAR_WHOLE = 0.25
_ISO_DAY = "%Y-%m-%d"


@dataclass(frozen=True, slots=True)
class SourceTable:
    """A table's headings as a mapping may call them, and how its cells are written."""

    place: str
    header: tuple[str, ...]
    mapping: TableMapping
    decimal: str

    def heading(self, name: str, is_optional: bool = False) -> str | None:
        """Return the table's own spelling of a heading; None for an absent optional one."""
        wanted = " ".join(name.split())
        if wanted in self.header:
            return wanted
        near = [h for h in self.header if h.casefold() == wanted.casefold()]
        if len(near) == 1:
            return near[0]
        if is_optional:
            return None
        raise MappingError(
            f"{self.place} has no heading {name!r}, which {self.mapping.origin} maps; it has: "
            f"{', '.join(self.header)}.",
            mend=f"Correct the name in {self.mapping.origin}, or make the column optional there.",
        )

    def cell(self, heading: str, missing: Iterable[str] = ()) -> pl.Expr:
        """The text of a cell; null where it is empty or says that nothing was noted."""
        text = pl.col(heading)
        codes = [*self.mapping.missing, *missing]
        return pl.when(~text.is_in(codes)).then(text) if codes else text

    def holds(self, conditions: Iterable[Condition]) -> pl.Expr | None:
        """Whether a row satisfies all conditions; None when there are none."""
        tests = [self._holds(condition) for condition in conditions]
        return pl.all_horizontal(tests) if tests else None

    def _holds(self, condition: Condition) -> pl.Expr:
        text = self.cell(self.heading(condition.column) or "")
        if condition.is_empty is not None:
            return text.is_null() if condition.is_empty else text.is_not_null()
        if condition.not_in is not None:
            return ~text.is_in(list(condition.not_in)).fill_null(False)
        if condition.equals is not None:
            return (text == condition.equals).fill_null(False)
        if condition.is_in is not None:
            return text.is_in(list(condition.is_in)).fill_null(False)
        return text.str.contains(condition.matches or "").fill_null(False)


def column_plans(
    columns: tuple[ColumnMapping, ...], contract: Contract, table: SourceTable
) -> tuple[ColumnPlan, ...]:
    """Plan the columns of one record.

    Raises
    ------
    MappingError
        A column, unit, code or heading does not fit the contract or the table, or a column that
        every row needs has no source.
    """
    origin = table.mapping.origin
    plans: dict[str, ColumnPlan] = {}
    later: list[ColumnMapping] = []
    for mapping in columns:
        if mapping.column not in contract.columns:
            raise MappingError(
                f"{origin}: {contract.name} has no column {mapping.column!r}.",
                mend=f"Use one of: {', '.join(contract.columns)}.",
            )
        if mapping.is_optional and not all(table.heading(s, True) for s in mapping.sources):
            plans[mapping.column] = _absent(
                contract.field(mapping.column), f"the file has no {' or '.join(mapping.sources)}"
            )
        elif mapping.unit and _is_share(mapping.unit):
            later.append(mapping)  # needs the number of bees, planned first
        else:
            plans[mapping.column] = _plan(mapping, contract.field(mapping.column), table)
    for mapping in later:
        field = contract.field(mapping.column)
        plans[mapping.column] = _plan_share(mapping, field, plans, table)
    for field in contract.fields:
        if field.is_required and field.default is None and field.name not in plans:
            raise MappingError(
                f"{origin}: {contract.name} needs {field.name}, which is not mapped.",
                mend=f'Map {field.name}, or say {field.name} = {{absent = "why"}}.',
            )
    return tuple(plans.values())


def _absent(field: Field, reason: str) -> ColumnPlan:
    """Plan a column the source has nothing for: where every row needs it, say why none has it."""
    if field.is_required and field.default is None:
        mend = f"Ask the member for {field.name}: {reason}."
        text = pl.lit("(not recorded)")
        return ColumnPlan(field.name, text, pl.lit(None), "(absent)", "required", mend)
    return ColumnPlan(field.name, pl.lit(None, dtype=pl.String), None, "(absent)")


def _plan(mapping: ColumnMapping, field: Field, table: SourceTable) -> ColumnPlan:
    place = f"{table.mapping.origin}, {field.name}"
    if mapping.absent is not None:
        return _absent(field, mapping.absent)
    if mapping.constant is not None:
        _refuse_value(mapping.constant, field, place)
        constant = pl.lit(as_text(mapping.constant))
        return ColumnPlan(field.name, _masked(constant, mapping, table), None, "(constant)")
    if mapping.is_identity:
        return _plan_identity(mapping, field, table)
    if mapping.sum_of:
        return _plan_sum(mapping, field, table, place)
    text = _text(mapping, table)
    source = " ".join(mapping.sources)
    if field.type in ("date", "datetime"):
        return _plan_moment(mapping, field, text, source, place)
    if mapping.date_format or mapping.time_zone:
        raise MappingError(f"{place} is no date.", mend="Remove format and time_zone.")
    if mapping.recode is not None:
        return _plan_recode(mapping, field, text, source, table)
    if field.type in ("number", "integer"):
        typed = _number(text, mapping, field, table, place)
        return ColumnPlan(field.name, text, typed, source, *_number_words(mapping, source, table))
    if mapping.unit:
        raise MappingError(f"{place} is no number.", mend="Remove its unit.")
    return ColumnPlan(field.name, text, None, source)


def _masked(text: pl.Expr, mapping: ColumnMapping, table: SourceTable) -> pl.Expr:
    condition = table.holds(mapping.when)
    return text if condition is None else pl.when(condition).then(text)


def _joined(cells: list[pl.Expr], separator: str) -> pl.Expr:
    is_given = pl.any_horizontal(cell.is_not_null() for cell in cells)
    return pl.when(is_given).then(pl.concat_str(cells, separator=separator, ignore_nulls=True))


def _text(mapping: ColumnMapping, table: SourceTable) -> pl.Expr:
    cells = [table.cell(table.heading(s) or "", mapping.missing) for s in mapping.sources]
    text = cells[0] if len(cells) == 1 else _joined(cells, mapping.separator)
    recode = mapping.recode or {}
    if "" in recode:
        text = text.fill_null(_EMPTY)
    no_value = [code or _EMPTY for code, value in recode.items() if value == ""]
    if no_value:
        text = pl.when(~text.is_in(no_value)).then(text)
    return _masked(text, mapping, table)


def _refuse_value(value: Constant, field: Field, place: str) -> None:
    if field.enum and value not in field.enum:
        raise MappingError(
            f"{place}: {value!r} is not allowed.",
            mend=f"Use one of: {', '.join(str(item) for item in field.enum)}.",
        )
    if field.type in ("number", "integer") and (
        isinstance(value, bool) or not isinstance(value, int | float)
    ):
        raise MappingError(f"{place}: {value!r} is no number.", mend="Write a number.")
    if field.type == "boolean" and not isinstance(value, bool):
        raise MappingError(f"{place}: {value!r} is neither true nor false.", mend="Write true.")


def _plan_identity(mapping: ColumnMapping, field: Field, table: SourceTable) -> ColumnPlan:
    identity = table.mapping.identity
    if identity is None:
        raise MappingError(
            f"{table.mapping.origin}, {field.name}: there is no identity map.",
            mend="Add a [table.identity] part with tag, on and file.",
        )
    tag = table.cell(table.heading(identity.tag) or "")
    written = _text(identity.on, table)
    on = day(written, identity.on.date_format or _ISO_DAY, identity.on.time_zone)
    shown = pl.concat_str([tag, pl.lit(" on "), written.fill_null("no date")])
    return ColumnPlan(
        field.name,
        _masked(shown, mapping, table),
        colony_of(tag, on, identity.periods),
        identity.tag,
        "identity",
        f"Add this tag and day to the identity map {identity.origin}, or correct them.",
    )


def _plan_moment(
    mapping: ColumnMapping, field: Field, text: pl.Expr, source: str, place: str
) -> ColumnPlan:
    text_format, zone = mapping.date_format, mapping.time_zone
    if mapping.unit or mapping.recode:
        raise MappingError(f"{place} is a date.", mend="Remove its unit and recode.")
    if text_format is None and zone is None:
        return ColumnPlan(field.name, text, None, source)
    text_format = text_format or ISO_LOCAL
    needs_zone = has_offset(text_format) == (field.type == "date")
    if needs_zone and zone is None:
        raise MappingError(
            f"{place}: the format {text_format!r} "
            + ("gives a moment, not a day." if field.type == "date" else "has no offset from UTC."),
            mend="Add time_zone, like America/Toronto or UTC-05:00.",
        )
    words = f"Write {source} like {example(text_format)}."
    if field.type == "date":
        return ColumnPlan(field.name, text, day(text, text_format, zone), source, "date", words)
    if zone and not zone.startswith("UTC"):
        words += f" An hour that clocks in {zone} skip or repeat cannot be placed."
    typed = moment_utc(text, text_format, zone, mapping.repeated_hour)
    return ColumnPlan(field.name, text, typed, source, "datetime", words)


def _plan_recode(
    mapping: ColumnMapping,
    field: Field,
    text: pl.Expr,
    source: str,
    table: SourceTable,
) -> ColumnPlan:
    place = f"{table.mapping.origin}, {field.name}"
    codes: dict[str, Constant] = {}
    for code, value in (mapping.recode or {}).items():
        if value != "":
            _refuse_value(value, field, place)
            codes[code or _EMPTY] = value
    if not codes:
        raise MappingError(f"{place}: recode gives no value.", mend="Use missing instead.")
    known = text.replace_strict(
        list(codes), list(codes.values()), default=None, return_dtype=field.polars_type
    )
    if field.type in ("number", "integer"):
        plain = _number(text, mapping, field, table, place)
        plain = number(text, table.decimal) if plain is None else plain
        known = pl.coalesce(known.cast(pl.Float64), plain)
    listed = ", ".join(repr(code) for code in codes)
    return ColumnPlan(
        field.name,
        text,
        known,
        source,
        "unknown code",
        f"Write {source} as one of {listed}, or add the code to recode in {table.mapping.origin}.",
    )


def _is_share(name: str) -> bool:
    return composite(name) is None and unit(name).dimension == _SHARE


def _number(
    text: pl.Expr, mapping: ColumnMapping, field: Field, table: SourceTable, place: str
) -> pl.Expr | None:
    """The number in the contract's unit; None when it needs no reading of ours."""
    if mapping.unit is None:
        return number(text, table.decimal) if table.decimal == "," else None
    if field.unit is None:
        raise MappingError(f"{place} has no unit.", mend="Remove unit.")
    pair = composite(mapping.unit)
    try:
        if pair:
            return composed(text, table.decimal, pair, field.unit)
        return measured(text, table.decimal, mapping.unit, field.unit)
    except MappingError as error:
        raise MappingError(f"{place}: {error.problem}", mend=error.mend) from None


def _number_words(mapping: ColumnMapping, source: str, table: SourceTable) -> tuple[str, str]:
    if mapping.unit is None and table.decimal != ",":
        return "", ""
    in_unit = f" in {mapping.unit}" if mapping.unit else ""
    example_number = "12,5" if table.decimal == "," else "12.5"
    return "type", f"Write {source} as a plain number{in_unit}, like {example_number}."


def _plan_sum(mapping: ColumnMapping, field: Field, table: SourceTable, place: str) -> ColumnPlan:
    if field.type not in ("number", "integer"):
        raise MappingError(f"{place} is no number.", mend="Use join instead of sum.")
    cells = [table.cell(table.heading(s) or "", mapping.missing) for s in mapping.sum_of]
    parts = []
    for cell in cells:
        part = _number(cell, mapping, field, table, place)
        parts.append(number(cell, table.decimal) if part is None else part)
    is_bad = pl.any_horizontal(
        cell.is_not_null() & part.is_null() for cell, part in zip(cells, parts, strict=True)
    )
    text = _masked(_joined(cells, " + "), mapping, table)
    typed = pl.when(text.is_not_null() & ~is_bad).then(pl.sum_horizontal(parts))
    source = " + ".join(mapping.sum_of)
    return ColumnPlan(
        field.name, text, typed, source, "type", f"Write plain numbers into each of {source}."
    )


def _plan_share(
    mapping: ColumnMapping, field: Field, plans: Mapping[str, ColumnPlan], table: SourceTable
) -> ColumnPlan:
    """Turn mites per so many bees into the mites that were counted, a whole number.

    Members round such figures, so the nearest whole number is taken if it is near.
    """
    place = f"{table.mapping.origin}, {field.name}"
    if field.unit != "mites" or mapping.source is None:
        conversion(mapping.unit or "", field.unit or "")
    bees = plans.get("bees_sampled")
    if bees is None or bees.source == "(absent)":
        raise MappingError(
            f"{place}: {mapping.unit!r} says nothing without the number of bees in the sample.",
            mend="Map bees_sampled too, as a column or as a constant such as 300.",
        )
    text = _text(mapping, table)
    share = measured(text, table.decimal, mapping.unit or "", _SHARE)
    sample = bees.typed if bees.typed is not None else number(bees.text, ".")
    mites = share * sample.cast(pl.Float64)
    typed = pl.when((mites - mites.round()).abs() <= _NEAR_WHOLE).then(mites.round())
    return ColumnPlan(
        field.name,
        text,
        typed,
        mapping.source or "",
        "type",
        f"Write {mapping.source} so that it gives a whole number of mites in the sample.",
    )
