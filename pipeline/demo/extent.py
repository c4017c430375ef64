"""How large the invented association is, and its streams of random numbers."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

FIRST_WINTER = 2022


@dataclass(frozen=True, slots=True)
class Extent:
    """Numbers of everything in one invented association."""

    members: int
    apiaries: int
    hives: int
    winters: int
    logger_members: int
    loggers_per_member: int

    @property
    def winter_years(self) -> tuple[int, ...]:
        """The winters, each named by the year it starts."""
        return tuple(range(FIRST_WINTER, FIRST_WINTER + self.winters))


class DemoSize(StrEnum):
    """The two sizes of the demonstration."""

    full = "full"
    small = "small"

    @property
    def extent(self) -> Extent:
        """What this size means in members, hives and winters."""
        return _EXTENTS[self]


_EXTENTS = {
    DemoSize.full: Extent(
        members=30, apiaries=45, hives=350, winters=3, logger_members=12, loggers_per_member=11
    ),
    DemoSize.small: Extent(
        members=9, apiaries=13, hives=100, winters=2, logger_members=3, loggers_per_member=2
    ),
}


def stream(seed: int, *names: str | int) -> np.random.Generator:
    """Return an own stream of random numbers for one named purpose.

    Changing how many numbers one part draws leaves every other part as it was.
    """
    keys = [zlib.crc32(str(name).encode()) for name in names]
    return np.random.default_rng([seed, *keys])
