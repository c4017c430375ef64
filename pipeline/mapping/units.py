"""Units: exact conversion of a member's unit to the contract's, from ``units.yaml``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib.resources import files
from math import lcm

import polars as pl
import yaml

from pipeline.errors import ContractError, MappingError

_EXACT = 2**53


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: value in the base unit of its dimension = factor × value + offset."""

    symbol: str
    names: tuple[str, ...]
    dimension: str
    factor: Fraction
    offset: Fraction


@dataclass(frozen=True, slots=True)
class Conversion:
    """Exact conversion ``target = factor × source + offset``.

    Examples
    --------
    >>> to_c = conversion("°F", "degC")
    >>> to_c.factor * 95 + to_c.offset
    Fraction(35, 1)
    """

    factor: Fraction
    offset: Fraction

    def apply(self, value: pl.Expr) -> pl.Expr:
        """Convert a column: in one product where the factor is a finite decimal.

        Otherwise in whole-number steps and one division, so that 95 °F is 35 °C.
        """
        whole = lcm(self.factor.denominator, self.offset.denominator)
        times, plus = int(self.factor * whole), int(self.offset * whole)
        if _is_decimal(whole) or max(abs(times), abs(plus), whole) >= _EXACT:
            converted = value if self.factor == 1 else value * float(self.factor)
            return converted if self.offset == 0 else converted + float(self.offset)
        return (value * times + plus) / whole


def _is_decimal(denominator: int) -> bool:
    """Whether fractions with this denominator are finite decimals."""
    for prime in (2, 5):
        while denominator % prime == 0:
            denominator //= prime
    return denominator == 1


@dataclass(frozen=True, slots=True)
class Composite:
    """Two numbers in one cell, such as pounds and ounces."""

    names: tuple[str, ...]
    parts: tuple[Unit, Unit]

    def pattern(self) -> str:
        """Regular expression with one group for each number."""
        first, second = ("|".join(map(re.escape, part.names)) for part in self.parts)
        return (
            rf"^(\d+)(?:\s*(?:{first})\.?[\s,:-]*|[\s:-]+)(\d+(?:\.\d+)?)\s*(?:(?:{second})\.?)?$"
        )


@dataclass(frozen=True, slots=True)
class _Catalogue:
    units: dict[str, Unit]
    composites: dict[str, Composite]


@cache
def _catalogue() -> _Catalogue:
    text = (files("data_contracts") / "units.yaml").read_text(encoding="utf-8")
    given = yaml.safe_load(text)
    units: dict[str, Unit] = {}
    for dimension, entry in given["dimensions"].items():
        for item in entry["units"]:
            unit = Unit(
                item["names"][0],
                tuple(item["names"]),
                dimension,
                Fraction(item["factor"]),
                Fraction(item.get("offset", "0")),
            )
            for name in unit.names:
                if units.setdefault(name, unit) is not unit:
                    raise ContractError(
                        f"units.yaml names {name!r} twice.", mend="Give every unit its own names."
                    )
    composites = {}
    for item in given["composites"]:
        first, second = (units[part] for part in item["parts"])
        for name in item["names"]:
            composites[name] = Composite(tuple(item["names"]), (first, second))
    return _Catalogue(units, composites)


def _lookup[T](known: dict[str, T], name: str) -> T | None:
    """Find by exact name, else by the only name equal but for capitals and blanks around."""
    name = " ".join(name.split())
    if name in known:
        return known[name]
    near = {id(v): v for k, v in known.items() if k.casefold() == name.casefold()}
    return next(iter(near.values())) if len(near) == 1 else None


def composite(name: str) -> Composite | None:
    """Return the composite of that name, if there is one."""
    return _lookup(_catalogue().composites, name)


def unit(name: str) -> Unit:
    """Return the unit of that name or alias.

    Raises
    ------
    MappingError
        There is none.
    """
    found = _lookup(_catalogue().units, name)
    if found is None:
        raise MappingError(f"There is no unit {name!r}.", mend=f"Use one of: {known_units()}.")
    return found


def known_units(dimension: str | None = None) -> str:
    """List the symbols of units, of one dimension or all."""
    found = [u.symbol for u in _catalogue().units.values() if dimension in (None, u.dimension)]
    if dimension is None:
        found += [composite.names[0] for composite in _catalogue().composites.values()]
    return ", ".join(dict.fromkeys(found))


def conversion(source: str, target: str) -> Conversion:
    """Return the exact conversion from one unit to another.

    Raises
    ------
    MappingError
        A unit is unknown, or the two measure different things.
    """
    from_unit, to_unit = unit(source), unit(target)
    if from_unit.dimension != to_unit.dimension:
        raise MappingError(
            f"{source!r} measures {from_unit.dimension}, but {target!r} measures "
            f"{to_unit.dimension}.",
            mend=f"Use one of: {known_units(to_unit.dimension)}.",
        )
    return Conversion(
        from_unit.factor / to_unit.factor, (from_unit.offset - to_unit.offset) / to_unit.factor
    )
