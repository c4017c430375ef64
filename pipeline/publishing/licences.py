"""Licences that published records can carry."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import StudyError


@dataclass(frozen=True, slots=True)
class Licence:
    """A licence: its name in the SPDX list, its title, where its text stands, what it asks."""

    name: str
    title: str
    url: str
    asks: str


LICENCES = {
    licence.name: licence
    for licence in (
        Licence(
            "CC-BY-4.0",
            "Creative Commons Attribution 4.0 International",
            "https://creativecommons.org/licenses/by/4.0/",
            "Anybody may use, change and pass on these records if they name the association and "
            "say what they changed.",
        ),
        Licence(
            "CC-BY-SA-4.0",
            "Creative Commons Attribution-ShareAlike 4.0 International",
            "https://creativecommons.org/licenses/by-sa/4.0/",
            "Anybody may use, change and pass on these records if they name the association, say "
            "what they changed, and pass changed records on under the same licence.",
        ),
        Licence(
            "CC0-1.0",
            "Creative Commons Zero 1.0 Universal",
            "https://creativecommons.org/publicdomain/zero/1.0/",
            "Anybody may do with these records what they like.",
        ),
    )
}


def find_licence(name: str) -> Licence:
    """Return the licence that ``study.toml`` names.

    Raises
    ------
    StudyError
        It names another.
    """
    if name not in LICENCES:
        raise StudyError(
            f"study.toml: [publish] licence = {name!r} is not one that a bundle can carry.",
            mend=f"Use one of: {', '.join(LICENCES)}.",
        )
    return LICENCES[name]
