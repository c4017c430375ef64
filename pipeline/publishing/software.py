"""What software made a bundle: versions, and the lock with which to install the same."""

from __future__ import annotations

import platform
from importlib.metadata import distribution, version
from importlib.resources import files
from pathlib import Path

from pipeline.errors import StudyError

LOCK = "requirements.lock"


def lock_text() -> str:
    """Return the hash-pinned lock.

    A checkout has it beside the packages; a wheel installs it as shared data, under the name that
    the installed files' list tells.

    Raises
    ------
    StudyError
        It is in neither place.
    """
    places = [Path(str(files("pipeline"))).parent / LOCK]
    installed = distribution("winterpool").files or []
    places += [Path(str(file.locate())) for file in installed if file.name == LOCK]
    for place in places:
        if place.is_file():
            return place.read_text(encoding="utf-8")
    raise StudyError(
        f"{LOCK} is not installed with Winterpool, so nobody could install the same versions.",
        mend="Install Winterpool again from its wheel, or run it from a checkout.",
    )


def software_versions() -> dict[str, str]:
    """Versions of Winterpool, Python and of what the model is fitted with."""
    from models.fit import PACKAGES

    names = ("winterpool", *PACKAGES)
    return {"python": platform.python_version()} | {name: version(name) for name in names}
