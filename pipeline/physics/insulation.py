"""The rule that turns a hive's layers into its insulation level."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import PhysicsDomainError
from pipeline.physics.envelope import SURFACES, refuse

# What every surface is compared with: a bare board of softwood, films left out.
REFERENCE_BOARD_M2K_PER_W: Final = 0.022 / 0.13

LEVELS: Final = ("none", "top", "partial", "full")


def is_insulated(layers_m2k_per_w: ArrayLike, threshold_m2k_per_w: float) -> NDArray[np.bool_]:
    """Whether a surface counts as insulated.

    Parameters
    ----------
    layers_m2k_per_w : array_like, shape (...)
        Resistance of all that stands between colony and outside air, hive body and added layers
        together, films left out [m²·K/W]; zero or above.
    threshold_m2k_per_w : float
        What it must resist beyond a 22 mm softwood board [m²·K/W].

    Returns
    -------
    numpy.ndarray of bool, shape (...)

    Raises
    ------
    PhysicsDomainError
        A resistance is negative or not a number.

    Examples
    --------
    >>> is_insulated([0.169, 0.169 + 0.02 / 0.03, 0.03 / 0.036], 0.35).tolist()
    [False, True, True]
    """
    layers = np.asarray(layers_m2k_per_w, dtype=float)
    refuse(
        ~(layers >= 0), "A surface's resistance is negative or not a number", "Check its layers."
    )
    return np.asarray(layers - REFERENCE_BOARD_M2K_PER_W >= threshold_m2k_per_w)


def insulation_level(insulated: ArrayLike, *, is_floor_counted: bool = True) -> NDArray[np.str_]:
    """Insulation level from which surfaces are insulated.

    Parameters
    ----------
    insulated : array_like of bool, shape (..., 6)
        Whether each surface counts as insulated, in the order of ``SURFACES``.
    is_floor_counted : bool
        False leaves the floor out of the rule altogether.

    Returns
    -------
    numpy.ndarray of str, shape (...)
        ``none`` no surface, ``top`` only the top, ``full`` all of them, ``partial`` anything else.

    Raises
    ------
    PhysicsDomainError
        The last axis does not hold six surfaces.

    Examples
    --------
    >>> foam_top = [False, False, False, False, True, False]
    >>> insulation_level([foam_top, [True] * 5 + [False]]).tolist()
    ['top', 'partial']
    >>> str(insulation_level([True] * 5 + [False], is_floor_counted=False))
    'full'
    """
    given = np.asarray(insulated, dtype=bool)
    if given.ndim == 0 or given.shape[-1] != len(SURFACES):
        raise PhysicsDomainError(
            f"An insulation level needs {len(SURFACES)} surfaces, not shape {given.shape}.",
            mend=f"Give the surfaces in the order {', '.join(SURFACES)}.",
        )
    top = given[..., SURFACES.index("top")]
    others = given[..., :4] if not is_floor_counted else given[..., [0, 1, 2, 3, 5]]
    has_other, has_all = others.any(axis=-1), others.all(axis=-1) & top
    return np.select(
        [has_all, ~top & ~has_other, top & ~has_other], ["full", "none", "top"], "partial"
    )
