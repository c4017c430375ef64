"""Names of files for what members named themselves: safe on every system, none twice."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable

_LONGEST = 60
_LOOKS_CHANGED = re.compile(r".*-[0-9a-f]{6}")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def plain_stem(name: str) -> str:
    """Keep of a name what every system takes: ASCII letters, digits, hyphens, at most 60.

    Examples
    --------
    >>> plain_stem("M04 hive book.xlsx")
    'M04-hive-book-xlsx'
    """
    return re.sub(r"[^A-Za-z0-9_]+", "-", name).strip("-")[:_LONGEST]


def shown_name(name: str) -> str:
    r"""Write a name as text, also where the system gives bytes that are none.

    Examples
    --------
    >>> shown_name("Rüdiger.csv"), shown_name("R\udcfc.csv")
    ('Rüdiger.csv', 'R\\udcfc.csv')
    """
    return name.encode("utf-8", errors="backslashreplace").decode("utf-8")


def safe_names(names: Iterable[str]) -> dict[str, str]:
    """Give every name a file name's stem that differs from all others, whatever its capitals.

    A name that had to be changed, or that others could be mistaken for, ends in a part of its
    digest, so that the same name always gives the same file.

    Examples
    --------
    >>> safe_names(["M01", "Anna B.", "../x"])
    {'M01': 'M01', 'Anna B.': 'Anna-B-b74323', '../x': 'x-d6b96a'}
    >>> len(set(safe_names(["Anna B.", "Anna-B-b74323"]).values()))
    2
    """
    wanted = {name: plain_stem(name) for name in names}
    often = Counter(stem.casefold() for stem in wanted.values())
    made = {}
    for name, stem in wanted.items():
        is_odd = _RESERVED.fullmatch(stem) or _LOOKS_CHANGED.fullmatch(stem)
        is_kept = stem == name and often[stem.casefold()] == 1 and not is_odd
        digest = hashlib.sha256(name.encode()).hexdigest()[:6]
        made[name] = stem if is_kept else f"{stem}-{digest}".lstrip("-")
    return made
