"""Checks: rows of text to typed rows that keep a contract, and reasons for the others.

A row is accepted whole or not at all. All checks of one row are reported, except that a cell
that cannot be read is told only once. Keys and references need more than one row: see
``loading.py``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import polars as pl

from pipeline import mends
from pipeline.contracts import DATE_FORMAT, Contract, Field, Rule
from pipeline.mapping import ColumnPlan, RecordPlan
from pipeline.readers import ROW

REJECTED_SCHEMA = pl.Schema(
    {
        "row": pl.Int64(),
        "column": pl.String(),
        "value": pl.String(),
        "rule": pl.String(),
        "mend": pl.String(),
    }
)
_LOCAL_FORMAT = "%Y-%m-%dT%H:%M:%S"
_LOCAL_LENGTH = 19
_OFFSET = r"^([+-])(\d{2}):?(\d{2})$"


@dataclass(frozen=True, slots=True)
class Checked:
    """What became of the rows of one batch.

    Attributes
    ----------
    accepted : polars.DataFrame
        The contract's columns, typed, and ``_row``.
    rejected : polars.DataFrame
        ``row, column, value, rule, mend``, a line for each rule a row breaks.
    """

    accepted: pl.DataFrame
    rejected: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _Fault:
    """One way to break the contract: which rows, and what to tell."""

    rule: str
    column: str
    is_broken: pl.Expr
    mend: str | Callable[[str], str]


def _text(column: str) -> str:
    return f"text of {column}"


def _offset_minutes(offset: str) -> int | None:
    if offset == "Z":
        return 0
    parts = pl.Series([offset]).str.extract_groups(_OFFSET).struct.unnest().row(0)
    if parts[0] is None or int(parts[2]) > 59 or int(parts[1]) > 23:
        return None
    return int(parts[0] + "1") * (int(parts[1]) * 60 + int(parts[2]))


def _parsed_datetime(text: pl.Series) -> pl.Series:
    """Read moments; null without an offset. Offsets are few, so each is read once."""
    local = text.str.slice(0, _LOCAL_LENGTH).str.to_datetime(
        _LOCAL_FORMAT, time_unit="us", strict=False, cache=False
    )
    offsets = text.str.slice(_LOCAL_LENGTH)
    minutes = {offset: _offset_minutes(offset) for offset in offsets.unique().drop_nulls()}
    if set(minutes.values()) <= {0}:
        utc = local
    else:
        shift = offsets.replace_strict(minutes, default=None, return_dtype=pl.Int64)
        utc = local - (shift * 60_000_000).cast(pl.Duration("us"))
    return utc.dt.replace_time_zone("UTC")


def _parse(field: Field) -> pl.Expr:
    """The value of a column written in the contract's own form; null when it is not."""
    text = pl.col(_text(field.name))
    if field.type == "integer":
        return text.cast(pl.Int64, strict=False)
    if field.type == "number":
        value = text.cast(pl.Float64, strict=False)
        return pl.when(value.is_finite() & ~text.str.contains("[eE]")).then(value)
    if field.type == "date":
        return text.str.to_date(DATE_FORMAT, strict=False)
    if field.type == "datetime":
        return text.map_batches(_parsed_datetime, return_dtype=field.polars_type)
    if field.type == "boolean":
        known = {word.lower(): True for word in field.true_values}
        known |= {word.lower(): False for word in field.false_values}
        return text.str.to_lowercase().replace_strict(known, default=None, return_dtype=pl.Boolean)
    return text


def _given(field: Field, plan: ColumnPlan, dtype: pl.DataType) -> pl.Expr:
    """A value the mapping has typed already, in the contract's type and finite."""
    value = pl.col(field.name)
    if dtype.is_float():
        value = pl.when(value.is_finite()).then(value)
        if field.type == "integer":
            value = pl.when(value == value.round()).then(value)
    if dtype in (field.polars_type, pl.Null()):
        return value.cast(field.polars_type)
    return value.cast(field.polars_type, strict=False)


def _values(contract: Contract, plan: RecordPlan, batch: pl.DataFrame) -> pl.DataFrame:
    """Each contract column twice, as text and as value, and ``_row``."""
    plans = {column.column: column for column in plan.columns}
    written = batch.select(
        pl.col(ROW),
        *(c.text.cast(pl.String).alias(_text(c.column)) for c in plan.columns),
        *(c.typed.alias(c.column) for c in plan.columns if c.typed is not None),
    )
    absent = [field.name for field in contract.fields if field.name not in plans]
    written = written.with_columns(
        pl.lit(None, dtype=pl.String).alias(_text(name)) for name in absent
    )
    values = []
    for field in contract.fields:
        column = plans.get(field.name)
        if column is None or column.typed is None:
            value = _parse(field)
        else:
            value = _given(field, column, written.schema[field.name])
        if field.default is not None:
            value = (
                pl.when(pl.col(_text(field.name)).is_null()).then(field.default).otherwise(value)
            )
        values.append(value.cast(field.polars_type).alias(field.name))
    return written.with_columns(values)


def _column_faults(field: Field, plan: ColumnPlan | None, today: date) -> Iterator[_Fault]:
    text, value = pl.col(_text(field.name)), pl.col(field.name)
    if field.is_required and field.default is None:
        yield _Fault("required", field.name, text.is_null(), mends.required_mend(field))
    if plan is not None and (field.type != "string" or plan.typed is not None):
        rule = plan.rule or ("enum" if field.type == "string" and field.enum else "type")
        word: str | Callable[[str], str] = plan.mend
        if not word and rule == "enum":
            word = lambda found: mends.enum_mend(field, found)  # noqa: E731
        elif not word:
            word = lambda found: mends.type_mend(field, found)  # noqa: E731
        yield _Fault(rule, field.name, text.is_not_null() & value.is_null(), word)
    if field.minimum is not None:
        yield _Fault("minimum", field.name, value < field.minimum, mends.limit_mend(field))
    if field.maximum is not None:
        yield _Fault("maximum", field.name, value > field.maximum, mends.limit_mend(field))
    if field.enum and field.type != "string":
        yield _Fault(
            "enum",
            field.name,
            ~value.is_in(list(field.enum)),
            lambda found: mends.enum_mend(field, found),
        )
    if field.is_not_after_today:
        yield _Fault(
            "not_after_today", field.name, value > _limit(field, today), mends.today_mend(field)
        )


def _limit(field: Field, today: date) -> date | datetime:
    """Today, or the last moment that is still today somewhere on Earth (UTC−12)."""
    if field.type == "date":
        return today
    return datetime.combine(today, time.min, UTC) + timedelta(days=1, hours=12)


def _distinct_texts(contract: Contract, rows: pl.DataFrame) -> dict[str, list[str]]:
    """Distinct values of the text columns that have something to check, all in one pass."""
    limited = [
        field.name
        for field in contract.fields
        if field.type == "string" and (field.enum or field.pattern or field.max_length)
    ]
    if not limited:
        return {}
    return rows.select(pl.col(limited).drop_nulls().unique().implode()).row(0, named=True)


def _text_faults(field: Field, distinct: list[str]) -> Iterator[_Fault]:
    """Faults of a text column, judged on its distinct values."""
    bad: list[tuple[str, list[str], str | Callable[[str], str]]] = []
    if field.enum:
        unknown = [text for text in distinct if text not in field.enum]
        bad.append(("enum", unknown, lambda found: mends.enum_mend(field, found)))
    if field.pattern and distinct:
        is_like = pl.Series(distinct).str.contains(f"^(?:{field.pattern})$")
        unlike = [t for t, like in zip(distinct, is_like, strict=True) if not like or "\n" in t]
        bad.append(("pattern", unlike, mends.pattern_mend(field)))
    if field.max_length:
        long = [text for text in distinct if len(text) > field.max_length]
        bad.append(("maxLength", long, mends.length_mend(field)))
    for rule, texts, mend in bad:
        if texts:
            yield _Fault(rule, field.name, pl.col(field.name).is_in(texts), mend)


def _month_day(value: str) -> int:
    month, day = value.split("-")
    return int(month) * 100 + int(day)


def _rule_fault(contract: Contract, rule: Rule) -> _Fault:
    value, other = pl.col(rule.column or rule.columns[0]), pl.col(rule.other or rule.winter)
    is_empty = pl.col(_text(rule.column or rule.columns[0])).is_null()
    if rule.kind == "at_most":
        is_broken = value > other
    elif rule.kind == "on_or_after":
        is_broken = value < other
    elif rule.kind == "required_when":
        is_broken = other.is_in(list(rule.values)) & is_empty
    elif rule.kind == "required_with":
        is_broken = pl.col(_text(rule.other)).is_not_null() & is_empty
    elif rule.kind == "any_of":
        is_broken = pl.all_horizontal(pl.col(_text(c)).is_null() for c in rule.columns)
    else:  # in_winter
        day = value.dt.year() * 10_000 + value.dt.month().cast(pl.Int32) * 100 + value.dt.day()
        first = other * 10_000 + _month_day(rule.from_day)
        last = (other + 1) * 10_000 + _month_day(rule.to_day)
        is_broken = (day < first) | (day > last)
    column = rule.column or ", ".join(rule.columns)
    return _Fault(rule.kind, column, is_broken, mends.rule_mend(contract, rule))


def _told(fault: _Fault, rows: pl.DataFrame) -> pl.DataFrame:
    """Lines of ``rejected`` for the rows that have the fault."""
    written = pl.col(_text(fault.column)) if _text(fault.column) in rows.columns else pl.lit(None)
    lines = rows.filter(fault.is_broken).select(
        row=pl.col(ROW),
        column=pl.lit(fault.column),
        value=written.cast(pl.String),
        rule=pl.lit(fault.rule),
    )
    if isinstance(fault.mend, str):
        return lines.with_columns(mend=pl.lit(fault.mend))
    said = {value: fault.mend(value) for value in lines["value"].unique().drop_nulls()}
    mend = pl.col("value").replace_strict(said, default=None, return_dtype=pl.String)
    return lines.with_columns(mend=mend)


def check_rows(contract: Contract, plan: RecordPlan, batch: pl.DataFrame, today: date) -> Checked:
    """Check the rows of one batch that belong to one record.

    Parameters
    ----------
    contract : Contract
        The record's contract.
    plan : RecordPlan
        How its columns come from the batch's.
    batch : polars.DataFrame
        Text columns and ``_row``.
    today : datetime.date
        The last day that columns marked ``not_after_today`` may give.

    Returns
    -------
    Checked
        Every row of the batch that the plan takes is in exactly one of the two frames.
    """
    if plan.where is not None:
        batch = batch.filter(plan.where)
    rows = _values(contract, plan, batch)
    plans = {column.column: column for column in plan.columns}
    texts = _distinct_texts(contract, rows)
    faults: list[_Fault] = []
    for field in contract.fields:
        faults += _column_faults(field, plans.get(field.name), today)
        if field.name in texts:
            faults += _text_faults(field, texts[field.name])
    faults += [_rule_fault(contract, r) for r in contract.rules if r.kind != "at_most_referenced"]
    columns = [*contract.columns, ROW]
    is_bad = pl.any_horizontal(fault.is_broken.fill_null(False) for fault in faults)
    bad_rows = rows.select(is_bad.alias("is_bad"))["is_bad"]
    if not bad_rows.any():
        return Checked(rows.select(columns), pl.DataFrame(schema=REJECTED_SCHEMA))
    bad = rows.filter(bad_rows)
    lines = [line for line in (_told(fault, bad) for fault in faults) if line.height]
    return Checked(
        rows.filter(~bad_rows).select(columns),
        pl.concat(lines).cast(REJECTED_SCHEMA).sort("row", maintain_order=True),
    )
