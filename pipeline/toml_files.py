"""TOML files that people write: read as text and values, and refused in words when they are not.

A settings file is a page long, so one that is large, nested without end or full of digits is a
mistake or a trap, and is refused before it costs time.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from pipeline.errors import WinterpoolError

_MOST_BYTES = 1_000_000
_MOST_DOTS = 50


def read_toml(path: Path, name: str, error: type[WinterpoolError]) -> dict[str, Any]:
    """Read one TOML file.

    Parameters
    ----------
    path : Path
    name : str
        What to call it in a message.
    error : type
        What to raise.

    Raises
    ------
    WinterpoolError
        Of the class given: the file is no file, too large, not UTF-8 or not TOML, or is nested
        too deep or holds too long a number.
    FileNotFoundError
        There is none.
    """
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise error(f"{name} is not a file.", mend="Put a text file in its place.")
        if size > _MOST_BYTES:
            raise error(
                f"{name} has {size / 1e6:.1f} MB, far more than it can need.",
                mend="Check that it is the right file.",
            )
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise
    except UnicodeDecodeError:
        raise error(
            f"{name} is not UTF-8 text.", mend="Save it as UTF-8 in a text editor."
        ) from None
    except OSError as trouble:
        raise error(
            f"{name} cannot be read ({trouble.strerror}).", mend="Check the file."
        ) from None
    for number, line in enumerate(text.splitlines(), 1):
        if line.count(".") > _MOST_DOTS and not line.lstrip().startswith("#"):
            raise error(
                f"{name}: line {number} has more than {_MOST_DOTS} dots.", mend="Shorten the line."
            )
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise error(
            f"{name} is not valid TOML: {trouble}.", mend="Correct the line it names."
        ) from None
    except RecursionError:
        raise error(f"{name} is nested too deep.", mend="Write it without such nesting.") from None
    except ValueError:
        raise error(f"{name} holds a number without end.", mend="Shorten the number.") from None
