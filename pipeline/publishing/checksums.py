"""SHA-256 of every file of a bundle, and whether they still hold."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path, PurePosixPath

from pipeline.errors import WinterpoolError

SUMS = "SHA256SUMS"
WHEN = "published_at.txt"
"""The one file that differs between two publications of one study; it has no checksum."""
UNLISTED = (SUMS, WHEN)
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")
_WHEN = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00\n")
_AT_ONCE = 1 << 20


class BundleError(WinterpoolError):
    """A bundle is not whole, was changed, or does not hold what it should."""

    exit_code = 1


def digest_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    total = hashlib.sha256()
    with path.open("rb") as file:
        while part := file.read(_AT_ONCE):
            total.update(part)
    return total.hexdigest()


def bundle_files(folder: Path) -> list[str]:
    """Names of all files under a folder, with ``/`` between parts, sorted.

    Raises
    ------
    BundleError
        Something in it is neither a plain file nor a folder.
    """
    names = []
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink() or not (path.is_file() or path.is_dir()):
            raise BundleError(
                f"{name} in {folder} is a link or a device, not a file.",
                mend="Get the bundle again from where it was published.",
            )
        if path.is_file():
            names.append(name)
    return sorted(names)


def write_checksums(folder: Path) -> None:
    """Write ``SHA256SUMS``, sorted by name, in the form that ``sha256sum --check`` reads."""
    lines = [
        f"{digest_of(folder / name)}  {name}\n"
        for name in bundle_files(folder)
        if name not in UNLISTED
    ]
    (folder / SUMS).write_text("".join(lines), encoding="utf-8", newline="\n")


def _listed(folder: Path) -> dict[str, str]:
    path = folder / SUMS
    if not path.is_file() or path.is_symlink():
        raise BundleError(
            f"{folder} holds no {SUMS}, so it is not a bundle.", mend="Name the bundle's folder."
        )
    listed: dict[str, str] = {}
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except UnicodeDecodeError:
        lines = [""]
    for number, line in enumerate(lines, 1):
        match = _LINE.fullmatch(line)
        name = match[2] if match else ""
        parts = PurePosixPath(name).parts
        is_inside = name and "\\" not in name and ":" not in name and not name.startswith("/")
        if not match or not is_inside or ".." in parts or name in listed or name in UNLISTED:
            raise BundleError(
                f"Line {number} of {SUMS} does not name a file of the bundle.",
                mend="Get the bundle again from where it was published.",
            )
        listed[name] = match[1]
    return listed


def verify_checksums(folder: Path) -> int:
    """Check that a bundle holds the files it was published with, and no other.

    Returns
    -------
    int
        Files that agree.

    Raises
    ------
    BundleError
        A file was changed, is missing or was added; the message names it.
    """
    if not folder.is_dir():
        raise BundleError(f"{folder} is not a folder.", mend="Name the bundle's folder.")
    listed = _listed(folder)
    present = set(bundle_files(folder)) - set(UNLISTED)
    wrong = [f"{name} is missing" for name in sorted(listed.keys() - present)]
    wrong += [f"{name} was added" for name in sorted(present - listed.keys())]
    for name in sorted(listed.keys() & present):
        if digest_of(folder / name) != listed[name]:
            wrong.append(f"{name} was changed")
    when = folder / WHEN
    if when.exists() and not (
        when.stat().st_size < 100
        and _WHEN.fullmatch(when.read_text(encoding="utf-8", errors="replace"))
    ):
        wrong.append(f"{WHEN} was changed")
    if wrong:
        more = f" and {len(wrong) - 5} more" if len(wrong) > 5 else ""
        raise BundleError(
            f"The bundle {folder} is not as it was published: {'; '.join(wrong[:5])}{more}.",
            mend="Get the bundle again from where it was published.",
        )
    return len(listed)
