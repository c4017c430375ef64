"""What hive materials resist, from ``data_contracts/materials.yaml``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

import numpy as np
import yaml
from numpy.typing import ArrayLike

from pipeline.errors import PhysicsDomainError
from pipeline.physics.envelope import AIR_LAYER_MAXIMUM_MM, Array, Flow, air_layer_resistance


@dataclass(frozen=True, slots=True)
class Material:
    """How a layer of one material resists heat; ``source`` says how the figure is known."""

    name: str
    source: str
    conductivity_w_per_mk: float | None = None
    resistance_m2k_per_w: float | None = None
    is_air_layer: bool = False


@cache
def materials() -> Mapping[str, Material]:
    """Every material that records may name.

    Examples
    --------
    >>> materials()["extruded polystyrene"].conductivity_w_per_mk
    0.03
    """
    text = (files("data_contracts") / "materials.yaml").read_text(encoding="utf-8")
    entries = yaml.safe_load(text)["materials"]
    return MappingProxyType({name: Material(name, **entry) for name, entry in entries.items()})


def material_resistance(
    material: Sequence[str | None], thickness_mm: ArrayLike, flow: Flow
) -> Array:
    """Resistance of layers by material and thickness; NaN where it is not known.

    Parameters
    ----------
    material : sequence of str or None, length n
        Names as in ``materials()``.
    thickness_mm : array_like, shape (n,)
        Thickness [mm]; zero or above, NaN where not recorded.
    flow : {"upward", "horizontal", "downward"}
        Direction in which heat leaves the hive through the surface.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Resistance [m²·K/W]; NaN where the material has no figure, the thickness is missing, or a
        still air layer is thicker than its table goes (300 mm).

    Raises
    ------
    PhysicsDomainError
        A material is not in the table, or a thickness is negative.

    Examples
    --------
    >>> material_resistance(["cedar", "still air", "other"], [19, 25, 10], "horizontal").round(2)
    array([0.18, 0.18,  nan])
    """
    known = materials()
    unknown = sorted({name for name in material if name is not None and name not in known})
    if unknown:
        raise PhysicsDomainError(
            f"There is no conductivity for {unknown[0]!r}.",
            mend=f"Use one of: {', '.join(known)}.",
        )
    thickness = np.asarray(thickness_mm, dtype=float)
    if np.any(thickness < 0):
        raise PhysicsDomainError(
            f"A layer is {thickness.min()} mm thick.", mend="Give thicknesses of zero or above."
        )
    names = np.asarray(["" if name is None else name for name in material], dtype=str)
    resistance = np.full(thickness.shape, np.nan)
    for name in np.unique(names):
        entry, rows = known.get(str(name)), names == name
        if entry is None:
            continue
        if entry.is_air_layer:
            rows &= thickness <= AIR_LAYER_MAXIMUM_MM
            resistance[rows] = air_layer_resistance(thickness[rows], flow)
        elif entry.resistance_m2k_per_w is not None:
            resistance[rows] = entry.resistance_m2k_per_w
        elif entry.conductivity_w_per_mk is not None:
            resistance[rows] = thickness[rows] / 1000.0 / entry.conductivity_w_per_mk
    return resistance
