"""Whose records may be published: those of members who said so, and nobody else's."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.errors import StudyError

HOW = (
    "Write a file members.csv with the columns member_id and may_publish (yes or no) into the "
    "inbox, a row for each member who was asked, and run: winterpool run STUDY"
)


@dataclass(frozen=True, slots=True)
class Consents:
    """Members of analysed colony-winters, by what they said.

    Attributes
    ----------
    agreed, refused, unasked : tuple of str
        ``unasked`` have no row in members.
    """

    agreed: tuple[str, ...]
    refused: tuple[str, ...]
    unasked: tuple[str, ...]

    @property
    def withheld(self) -> int:
        """Members whose records are analysed but not published."""
        return len(self.refused) + len(self.unasked)


def read_consents(units: pl.DataFrame, members: pl.DataFrame) -> Consents:
    """Sort the members of ``units`` by what they agreed to.

    Parameters
    ----------
    units : polars.DataFrame
        Analysed colony-winters.
    members : polars.DataFrame
        The record of that name.

    Raises
    ------
    StudyError
        Nobody agreed.
    """
    said = dict(members.select("member_id", "may_publish").iter_rows())
    groups: dict[bool | None, list[str]] = {True: [], False: [], None: []}
    for member in sorted(units["member_id"].drop_nulls().unique().to_list()):
        groups[said.get(member)].append(member)
    found = Consents(tuple(groups[True]), tuple(groups[False]), tuple(groups[None]))
    if not found.agreed:
        raise StudyError(
            f"No member agreed to publication: {len(found.refused)} refused and "
            f"{len(found.unasked)} have no row in members.",
            mend=f"{HOW}.",
        )
    return found
