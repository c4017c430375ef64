"""What feed is worth as stores, and what bees and brood weigh."""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.errors import PhysicsDomainError
from pipeline.physics.envelope import Array, refuse

# Sugar by mass. Syrups follow from their names; fondant and patties are typical recipes, from
# memory. A frame of honey is stores already, nothing is lost in storing it.
SUGAR_SHARE: Final = MappingProxyType(
    {
        "syrup 2:1": 2.0 / 3.0,
        "syrup 1:1": 0.5,
        "fondant": 0.90,
        "dry sugar": 1.0,
        "pollen patty": 0.50,
    }
)
STORED_AS_GIVEN: Final = "honey frame"

# The loss in storing is somewhere between 0.10 and 0.25 (from memory, low confidence). Its
# uniform spread, as a share of what is stored, is the error of converted feed.
CONVERSION_RELATIVE_SD: Final = (0.25 - 0.10) / 12**0.5 / (1 - 0.175)


def honey_equivalent_kg(
    feed: Sequence[str], mass_kg: ArrayLike, *, stores_sugar_share: float, processing_loss: float
) -> Array:
    """Stores that feed becomes.

    Parameters
    ----------
    feed : sequence of str, length n
        Kind of feed, a key of ``SUGAR_SHARE`` or "honey frame".
    mass_kg : array_like, shape (n,)
        Mass as given [kg]; zero or above.
    stores_sugar_share : float
        Sugar in winter stores, by mass; above 0, at most 1.
    processing_loss : float
        Share of the sugar spent on storing it; 0 to below 1.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Honey-equivalent mass [kg].

    Raises
    ------
    PhysicsDomainError
        A kind of feed is unknown, or a number is outside its range.

    References
    ----------
    2:1 syrup gives 0.83 kg and 1:1 syrup 0.625 kg of stores a kilogram at 80 % sugar and no loss.

    Examples
    --------
    >>> honey_equivalent_kg(
    ...     ["syrup 2:1", "honey frame"], [6.0, 2.0], stores_sugar_share=0.8, processing_loss=0.1
    ... ).round(2).tolist()
    [4.5, 2.0]
    """
    if not (0 < stores_sugar_share <= 1 and 0 <= processing_loss < 1):
        raise PhysicsDomainError(
            f"Stores cannot be {stores_sugar_share:g} sugar, nor storing lose {processing_loss:g}.",
            mend="In study.toml set stores_sugar_share above 0 to 1, processing_loss 0 to below 1.",
        )
    unknown = sorted(set(feed) - set(SUGAR_SHARE) - {STORED_AS_GIVEN})
    if unknown:
        raise PhysicsDomainError(
            f"There is no sugar content for the feed {unknown[0]!r}.",
            mend=f"Use one of: {', '.join([*SUGAR_SHARE, STORED_AS_GIVEN])}.",
        )
    mass = np.asarray(mass_kg, dtype=float)
    refuse(~(mass >= 0), "A feed's mass is negative or not a number", "Give kilograms.")
    worth = {
        name: share * (1 - processing_loss) / stores_sugar_share
        for name, share in SUGAR_SHARE.items()
    } | {STORED_AS_GIVEN: 1.0}
    return np.asarray(mass * np.array([worth[name] for name in feed], dtype=float))


def bees_and_brood_kg(
    frames_of_bees: ArrayLike,
    frames_of_brood: ArrayLike,
    *,
    bees_per_frame: float,
    bee_mass_g: float,
    brood_frame_kg: float,
) -> Array:
    """Mass of a colony's bees and brood.

    Parameters
    ----------
    frames_of_bees, frames_of_brood : array_like, shape (...)
        Frames; zero or above, NaN stays NaN.
    bees_per_frame : float
        Bees on a frame covered on both sides.
    bee_mass_g : float
        Mass of one adult bee [g].
    brood_frame_kg : float
        Mass of brood and its food on one frame of brood [kg].

    Returns
    -------
    numpy.ndarray, shape (...)
        Mass [kg].

    Raises
    ------
    PhysicsDomainError
        A count of frames is negative.

    Examples
    --------
    >>> kinds = dict(bees_per_frame=2400, bee_mass_g=0.12, brood_frame_kg=0.45)
    >>> round(float(bees_and_brood_kg(8.0, 1.0, **kinds)), 2)
    2.75
    """
    bees, brood = np.asarray(frames_of_bees, dtype=float), np.asarray(frames_of_brood, dtype=float)
    refuse((bees < 0) | (brood < 0), "A count of frames is negative", "Give zero or above.")
    return np.asarray(bees * bees_per_frame * bee_mass_g / 1000.0 + brood * brood_frame_kg)
