"""Marks: by what a file is known to be as it was written, not gone, cut off or edited."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

_SOON_READ_BYTES = 4_000_000


def digest(*parts: bytes | str) -> str:
    """Digest of some texts, each with its length, so that no two lists share one."""
    total = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        total.update(len(data).to_bytes(8, "big"))
        total.update(data)
    return total.hexdigest()


def mark_of(path: Path) -> str:
    """The size of a file, and the digest of one that is soon read; empty when it is gone."""
    if not path.is_file():
        return ""
    size = path.stat().st_size
    return f"{size} {digest(path.read_bytes())}" if size <= _SOON_READ_BYTES else str(size)


def marks_in(folder: Path) -> dict[str, str]:
    """Marks of a folder's files, by their names."""
    return {path.name: mark_of(path) for path in sorted(folder.iterdir()) if path.is_file()}


def read_note(path: Path) -> dict[str, Any]:
    """Read a note that a step left in JSON; empty where it is missing or damaged."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def changed_since(folder: Path, marks: Mapping[str, str]) -> list[str]:
    """Files of a folder that are not as they were when they were marked, by their names."""
    return [name for name, mark in marks.items() if mark_of(folder / name) != mark]
