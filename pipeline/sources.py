"""Digests of our own source files, so that what changed code would make anew is known."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from pathlib import Path


@cache
def source_digest(*places: str, without: tuple[str, ...] = ()) -> str:
    """Digest of packages' source files: their names and their content.

    Parameters
    ----------
    *places : str
        A package, or a folder or file inside one: ``models``, ``pipeline/stages``.
    without : tuple of str
        Folders directly inside a place, by name, that do not count.

    Examples
    --------
    >>> source_digest("pipeline/readers") == source_digest("pipeline/mapping")
    False
    """
    total = hashlib.sha256()
    skipped = {(name,) for name in without}
    for place in places:
        package, _, inside = place.partition("/")
        root = Path(str(files(package))) / inside
        for path in sorted(root.rglob("*")) if root.is_dir() else [root]:
            inner = path.relative_to(root).parts
            if path.is_file() and "__pycache__" not in inner and inner[:1] not in skipped:
                for part in (path.relative_to(root).as_posix().encode(), path.read_bytes()):
                    total.update(len(part).to_bytes(8, "big") + part)
    return total.hexdigest()
