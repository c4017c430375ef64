"""Languages: words, headings, numbers and dates as a reader of one language writes them.

Each language is one file, ``data_contracts/languages/CODE.toml``; another language is one more
file, and nothing else. A file holds

- ``[language]``: ``name`` in the language itself, ``decimal`` and ``thousands`` marks, ``date``
  (of ``{day}``, ``{month}``, ``{year}``), its twelve ``months``, ``months_short`` for axes,
  and ``tied``, the marks before which a blank must not break;
- ``[units]``: how a unit of the contracts is written, where that differs from its symbol;
- ``[headings]``: the heading of a contract's column, without its unit; ``[records]``: the name of a
  record's sheet, file or part of a form; ``[descriptions]``: a sentence for a column;
- ``[words]``: single words from data: levels, outcomes, states, allowed values;
- every other section: phrases, called by ``section.key``, with ``{names}`` to be filled.

English has no headings of its own: the columns' names are its headings. Every other language must
have every phrase and word that ``en.toml`` has, with the same names to fill.

>>> fr = words("fr")
>>> fr.number(-1234.5, 1), fr.heading("gross_kg", "kg"), fr.word("full")
('−1\\u202f234,5', 'masse brute [kg]', 'complète')
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

from pipeline.errors import StudyError

DEFAULT = "en"
_OWN_SECTIONS = ("language", "units", "headings", "records", "descriptions", "words")


@dataclass(frozen=True, slots=True)
class Words:
    """One language. Call it with a phrase's key and what to fill in: ``w("member.title", …)``."""

    code: str
    name: str
    decimal: str
    thousands: str
    date_form: str
    months: tuple[str, ...]
    months_short: tuple[str, ...]
    units: Mapping[str, str] = field(repr=False)
    headings: Mapping[str, str] = field(repr=False)
    records: Mapping[str, str] = field(repr=False)
    descriptions: Mapping[str, str] = field(repr=False)
    vocabulary: Mapping[str, str] = field(repr=False)
    phrases: Mapping[str, str] = field(repr=False)

    def __call__(self, key: str, **filled: object) -> str:
        """Return a phrase as plain text, its names filled; text from data is not escaped here."""
        return self.phrases[key].format(**filled)

    def section(self, name: str) -> dict[str, str]:
        """Return a section's phrases by their own keys."""
        start = f"{name}."
        return {k.removeprefix(start): p for k, p in self.phrases.items() if k.startswith(start)}

    def word(self, word: str) -> str:
        """Say one word of the records' vocabulary; one that has no translation stays."""
        return self.vocabulary.get(word, word)

    def unit(self, unit: str | None) -> str:
        """Write a unit; empty for none."""
        return self.units.get(unit or "", unit or "")

    def heading(self, column: str, unit: str | None) -> str:
        """Head a column of a template: its name in the language, and its unit in brackets."""
        name = self.headings.get(column, column)
        return f"{name} [{self.unit(unit)}]" if unit else name

    def record(self, name: str) -> str:
        """Name a record's sheet, file or part of a form."""
        return self.records.get(name, name)

    def number(self, value: float | int | None, decimals: int = 0, *, signed: bool = False) -> str:
        """Write a number; an en dash when there is none, a true minus, a plus when ``signed``."""
        if value is None or not math.isfinite(value):
            return "–"
        text = f"{abs(value):,.{decimals}f}"
        is_zero = not any(c in "123456789" for c in text)
        text = text.replace(",", "\0").replace(".", self.decimal).replace("\0", self.thousands)
        sign = "" if is_zero else "−" if value < 0 else "+" if signed else ""
        return sign + text

    def quantity(
        self, value: float | None, unit: str | None, decimals: int = 0, *, signed: bool = False
    ) -> str:
        """Write a number with its unit, held together by a space that does not break."""
        shown = self.unit(unit)
        return self.number(value, decimals, signed=signed) + (f"\u00a0{shown}" if shown else "")

    def date(self, day: date | None) -> str:
        """Write a day; an en dash when there is none."""
        if day is None:
            return "–"
        return self.date_form.format(day=day.day, month=self.months[day.month - 1], year=day.year)

    def winter(self, year: int) -> str:
        """Name a winter by its two years."""
        return f"{year}/{(year + 1) % 100:02d}"


def languages() -> tuple[str, ...]:
    """Codes of all languages, English first, then by code."""
    folder = files("data_contracts") / "languages"
    codes = sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml"))
    return (DEFAULT, *(code for code in codes if code != DEFAULT))


def _text(code: str) -> str:
    return (files("data_contracts") / "languages" / f"{code}.toml").read_text(encoding="utf-8")


@cache
def languages_fingerprint() -> str:
    """Digest of all language files: their headings decide how a member's file is read."""
    total = hashlib.sha256()
    for code in languages():
        total.update(f"{code}\n{_text(code)}".encode())
    return total.hexdigest()


@cache
def words(code: str = DEFAULT) -> Words:
    """Load a language.

    Parameters
    ----------
    code : str
        Its file's name without the ending: ``en``, ``fr``.

    Raises
    ------
    StudyError
        There is no such language.
    """
    if code not in languages():
        raise StudyError(
            f"There is no language {code!r}.", mend=f"Use one of: {', '.join(languages())}."
        )
    given: dict[str, dict[str, Any]] = tomllib.loads(_text(code))
    own = given["language"]
    tied = re.compile(f" (?=[{re.escape(own['tied'])}])") if own.get("tied") else None
    return Words(
        code=code,
        name=own["name"],
        decimal=own["decimal"],
        thousands=own["thousands"],
        date_form=own["date"],
        months=tuple(own["months"]),
        months_short=tuple(own["months_short"]),
        units=given.get("units", {}),
        headings=given.get("headings", {}),
        records=given.get("records", {}),
        descriptions=given.get("descriptions", {}),
        vocabulary=given.get("words", {}),
        phrases={
            f"{section}.{key}": tied.sub("\u00a0", phrase) if tied else phrase
            for section, phrases in given.items()
            if section not in _OWN_SECTIONS
            for key, phrase in phrases.items()
        },
    )
