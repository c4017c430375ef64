"""What we rest on: every locked package has a hash and a free licence."""

from __future__ import annotations

import re
from importlib.metadata import Distribution, distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
_NAMED = re.compile(r"^([A-Za-z0-9][\w.-]*)==([^\s;\\]+)")
FREE = re.compile(
    r"\b(MIT|BSD|Apache|ISC|MPL|Mozilla|PSF|Python[ -]Software|Python-2\.0|0BSD|Unlicense|CC0|Zlib"
    r"|LGPL|GPL|GNU|HPND|Public Domain|BSL-1\.0|CNRI|Artistic|Redistribution and use in source)",
    re.IGNORECASE,
)
NOT_FREE = re.compile(r"proprietary|commercial|non-?commercial|all rights reserved|SSPL|BUSL", re.I)


def locked() -> dict[str, list[str]]:
    """Each package and version of the lock with its hashes."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines():
        if match := _NAMED.match(line):
            name = match[1].lower().replace("_", "-")
            found.setdefault(name, [])
        found.get(name, []).extend(re.findall(r"--hash=sha256:([0-9a-f]{64})", line))
    return found


def said_licence(package: Distribution) -> str:
    """What a package says of its licence: expression, classifiers, field."""
    said = package.metadata
    words = [said.get("License-Expression") or "", *(said.get_all("Classifier") or [])]
    words = [
        w
        for w in words
        if w and ((not w.startswith("Classifier") and "::" not in w) or "License" in w)
    ]
    field = (said.get("License") or "").strip().split("\n")[0]
    return "; ".join([*words, field]).strip("; ")


def licence_of(package: Distribution) -> str:
    """A package's licence; from the file it ships where its metadata are silent."""
    said = said_licence(package)
    if said:
        return said
    for file in package.files or ():
        if re.search(r"licen[cs]e|copying", file.name, re.IGNORECASE):
            text = Path(str(file.locate())).read_text(encoding="utf-8", errors="replace")
            return " ".join(text.split())[:400]
    return ""


def test_every_locked_package_has_a_hash() -> None:
    """``pip install --require-hashes`` takes nothing else."""
    lock = locked()
    assert len(lock) > 50
    assert [name for name, hashes in lock.items() if not hashes] == []
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    assert "--extra-index-url" not in text and "git+" not in text and " @ " not in text


def test_every_locked_package_is_free_software() -> None:
    lock = locked()
    unknown, checked = {}, 0
    for package in distributions():
        name = (package.metadata.get("Name") or "").lower().replace("_", "-")
        if name not in lock:
            continue
        checked += 1
        licence = licence_of(package)
        if not FREE.search(licence) or NOT_FREE.search(said_licence(package)):
            unknown[name] = licence[:80]
    if not checked:
        pytest.skip("none of the locked packages is installed")
    assert checked > 50
    assert unknown == {}
