"""Numbers as members write them, to expressions of numbers in the contract's unit."""

from __future__ import annotations

import polars as pl

from pipeline.mapping.units import Composite, conversion, unit

_POINT = r"^[+-]?(?:\d+\.?\d*|\.\d+)$"
_COMMA = r"^[+-]?(?:\d+,?\d*|,\d+)$"
_FRACTION = r"^(?:(\d+)[\s-]+)?(\d+)/(\d+)$"
_FRACTION_UNITS = ("in", "ft")


def number(text: pl.Expr, decimal: str) -> pl.Expr:
    """Read plain numbers with the given decimal mark; null for anything else."""
    if decimal == ",":
        plain = text.str.contains(_COMMA)
        value = text.str.replace(",", ".", literal=True)
    else:
        plain, value = text.str.contains(_POINT), text
    return pl.when(plain).then(value).cast(pl.Float64, strict=False)


def _fraction(text: pl.Expr) -> pl.Expr:
    groups = text.str.extract_groups(_FRACTION).struct
    parts = [groups.field(str(i)).cast(pl.Float64, strict=False) for i in (1, 2, 3)]
    return pl.when(parts[2] > 0).then(parts[0].fill_null(0.0) + parts[1] / parts[2])


def measured(text: pl.Expr, decimal: str, source: str, target: str) -> pl.Expr:
    """Read numbers in one unit and give them in another; inches may have fractions (1 1/2)."""
    value = number(text, decimal)
    if unit(source).symbol in _FRACTION_UNITS:
        value = pl.coalesce(value, _fraction(text))
    return conversion(source, target).apply(value)


def composed(text: pl.Expr, decimal: str, source: Composite, target: str) -> pl.Expr:
    """Read two numbers in one cell, such as 12 lb 4 oz; the second must not make up a first."""
    if decimal == ",":
        text = text.str.replace(r"(\d),(\d)", "$1.$2")
    groups = text.str.extract_groups(source.pattern()).struct
    first, second = (groups.field(str(i)).cast(pl.Float64, strict=False) for i in (1, 2))
    large, small = source.parts
    total = conversion(large.symbol, target).apply(first) + conversion(small.symbol, target).apply(
        second
    )
    return pl.when(second < float(large.factor / small.factor)).then(total)
