"""Heat through a hive's envelope: resistances, conductance, inner surface temperature.

All resistances are in m²·K/W and stand for one-dimensional, steady heat flow. An array
that runs over the six surfaces runs over them in the order of ``SURFACES``.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import PhysicsDomainError

Flow = Literal["upward", "horizontal", "downward"]
Array = NDArray[np.float64]

SURFACES: Final = ("front", "back", "left", "right", "top", "bottom")
FLOW_OF_SURFACE: Final = MappingProxyType[str, Flow](
    {
        "front": "horizontal",
        "back": "horizontal",
        "left": "horizontal",
        "right": "horizontal",
        "top": "upward",
        "bottom": "downward",
    }
)

# ISO 6946:2017, conventional surface resistances [m²·K/W], from memory.
INSIDE_FILM: Final = MappingProxyType[Flow, float](
    {"upward": 0.10, "horizontal": 0.13, "downward": 0.17}
)
OUTSIDE_FILM: Final = 0.04

# ISO 6946:2017, unventilated air layers between surfaces of high emissivity, from memory:
# thickness [mm], then resistance [m²·K/W] by direction of heat flow.
_AIR_THICKNESS_MM: Final = (0.0, 5.0, 7.0, 10.0, 15.0, 25.0, 50.0, 100.0, 300.0)
_AIR_RESISTANCE: Final = MappingProxyType[Flow, tuple[float, ...]](
    {
        "upward": (0.00, 0.11, 0.13, 0.15, 0.16, 0.16, 0.16, 0.16, 0.16),
        "horizontal": (0.00, 0.11, 0.13, 0.15, 0.17, 0.18, 0.18, 0.18, 0.18),
        "downward": (0.00, 0.11, 0.13, 0.15, 0.17, 0.19, 0.21, 0.22, 0.23),
    }
)
AIR_LAYER_MAXIMUM_MM: Final = _AIR_THICKNESS_MM[-1]


def refuse(is_bad: NDArray[np.bool_] | np.bool_, what: str, mend: str) -> None:
    """Raise ``PhysicsDomainError`` when any element is bad."""
    count = int(np.sum(is_bad))
    if count:
        raise PhysicsDomainError(f"{what} ({count} of {np.size(is_bad)} values).", mend=mend)


def layer_resistance(thickness_mm: ArrayLike, conductivity_w_per_mk: ArrayLike) -> Array:
    """Resistance of a homogeneous layer.

    Parameters
    ----------
    thickness_mm : array_like, shape (...)
        Thickness [mm]; finite, zero or above.
    conductivity_w_per_mk : array_like, shape (...)
        Thermal conductivity [W/(m·K)]; finite, above zero.

    Returns
    -------
    numpy.ndarray, shape (...)
        Resistance [m²·K/W].

    Raises
    ------
    PhysicsDomainError
        A thickness is negative, a conductivity is not positive, or either is not finite.

    References
    ----------
    ISO 6946:2017, R = d/λ.

    Examples
    --------
    >>> round(float(layer_resistance(50, 0.036)), 2)  # 50 mm of expanded polystyrene
    1.39
    """
    thickness = np.asarray(thickness_mm, dtype=float)
    conductivity = np.asarray(conductivity_w_per_mk, dtype=float)
    refuse(
        ~np.isfinite(thickness) | (thickness < 0),
        "A layer's thickness is negative or not a number",
        "Give thicknesses in millimetres, zero or above.",
    )
    refuse(
        ~np.isfinite(conductivity) | (conductivity <= 0),
        "A conductivity is not a positive number",
        "Give conductivities above zero.",
    )
    return np.asarray(thickness / 1000.0 / conductivity)


def air_layer_resistance(thickness_mm: ArrayLike, flow: Flow) -> Array:
    """Resistance of a still air layer enclosed between two boards.

    Parameters
    ----------
    thickness_mm : array_like, shape (...)
        Thickness [mm]; 0 to 300.
    flow : {"upward", "horizontal", "downward"}
        Direction in which heat leaves the hive through the surface.

    Returns
    -------
    numpy.ndarray, shape (...)
        Resistance [m²·K/W].

    Raises
    ------
    PhysicsDomainError
        A layer is thicker than 300 mm, negative or not a number.

    Notes
    -----
    Unventilated and between surfaces of high emissivity; between the table's thicknesses it
    is interpolated along a straight line. A draughty gap resists less.

    References
    ----------
    ISO 6946:2017, table of unventilated air layers, from memory.

    Examples
    --------
    >>> float(air_layer_resistance(25, "horizontal"))
    0.18
    """
    thickness = np.asarray(thickness_mm, dtype=float)
    refuse(
        ~((thickness >= 0) & (thickness <= AIR_LAYER_MAXIMUM_MM)),
        "An air layer is not between 0 and 300 mm thick",
        "Describe a wider gap as what encloses it.",
    )
    return np.asarray(np.interp(thickness, _AIR_THICKNESS_MM, _AIR_RESISTANCE[flow]))


def air_to_air_resistance(layers_m2k_per_w: ArrayLike, flow: Flow) -> Array:
    """Resistance from the air inside to the air outside through layers in series.

    Parameters
    ----------
    layers_m2k_per_w : array_like, shape (..., layer)
        Resistance of each layer [m²·K/W]; finite, zero or above; zero for a layer that is absent.
    flow : {"upward", "horizontal", "downward"}
        Direction in which heat leaves the hive through the surface.

    Returns
    -------
    numpy.ndarray, shape (...)
        Resistance with both surface films [m²·K/W].

    Raises
    ------
    PhysicsDomainError
        A resistance is negative or not finite.

    References
    ----------
    ISO 6946:2017, R = Rsi + ΣR + Rse.

    Examples
    --------
    >>> round(float(air_to_air_resistance([0.019 / 0.107], "horizontal")), 2)  # 19 mm of cedar
    0.35
    """
    layers = np.asarray(layers_m2k_per_w, dtype=float)
    refuse(
        ~np.isfinite(layers) | (layers < 0),
        "A layer's resistance is negative or not a number",
        "Leave a layer out, or give its thickness and material.",
    )
    return np.asarray(INSIDE_FILM[flow] + layers.sum(axis=-1) + OUTSIDE_FILM)


def surface_areas(length_mm: ArrayLike, width_mm: ArrayLike, height_mm: ArrayLike) -> Array:
    """Inner area of a box-shaped hive's six surfaces.

    Parameters
    ----------
    length_mm, width_mm, height_mm : array_like, shape (...)
        Inside dimensions [mm], front to back, side to side, floor to cover; above zero.

    Returns
    -------
    numpy.ndarray, shape (..., 6)
        Areas [m²] in the order of ``SURFACES``.

    Raises
    ------
    PhysicsDomainError
        A dimension is not a positive number.

    Examples
    --------
    >>> surface_areas(465, 375, 240).round(3).tolist()
    [0.09, 0.09, 0.112, 0.112, 0.174, 0.174]
    """
    length, width, height = np.broadcast_arrays(
        *(np.asarray(side, dtype=float) / 1000.0 for side in (length_mm, width_mm, height_mm))
    )
    for side in (length, width, height):
        refuse(
            ~(np.isfinite(side) & (side > 0)),
            "A dimension of a hive is not a positive number",
            "Give inside dimensions in millimetres.",
        )
    end, flank, plan = width * height, length * height, length * width
    return np.stack([end, end, flank, flank, plan, plan], axis=-1)


def envelope_conductance(area_m2: ArrayLike, resistance_m2k_per_w: ArrayLike) -> Array:
    """Conductance of a hive envelope whose surfaces lose heat side by side.

    Parameters
    ----------
    area_m2 : array_like, shape (..., surface)
        Inner area of each surface [m²]; zero for a surface that is absent.
    resistance_m2k_per_w : array_like, shape (..., surface)
        Air-to-air resistance, both surface films included [m²·K/W]; finite, above zero.

    Returns
    -------
    numpy.ndarray, shape (...)
        Conductance [W/K].

    Raises
    ------
    PhysicsDomainError
        An area is negative, or a resistance is not finite and positive.

    Notes
    -----
    One-dimensional flow: corners and leaks are left out, so with inner areas this is a lower
    bound for a real box.

    References
    ----------
    ISO 6946:2017 for the resistances; ISO 13789:2017 for the sum over surfaces.

    Examples
    --------
    >>> area, bare = [0.12] * 4 + [0.19] * 2, [0.34] * 6  # pine box; then 5 cm of foam on top
    >>> [round(float(envelope_conductance(area, r)), 2) for r in (bare, bare[:4] + [1.81, 0.34])]
    [2.53, 2.08]
    """
    area = np.asarray(area_m2, dtype=float)
    resistance = np.asarray(resistance_m2k_per_w, dtype=float)
    refuse(
        ~(np.isfinite(area) & (area >= 0)),
        "A surface's area is negative or not a number",
        "Give areas in square metres, zero or above.",
    )
    refuse(
        ~(np.isfinite(resistance) & (resistance > 0)),
        "A surface's resistance is not a positive number",
        "Describe the surface's layers; its films alone resist more than zero.",
    )
    return np.asarray((area / resistance).sum(axis=-1))


def air_change_conductance(flow_l_per_s: ArrayLike) -> Array:
    """Rough conductance of air that passes through the openings.

    Parameters
    ----------
    flow_l_per_s : array_like, shape (...)
        Outside air entering the hive [L/s]; zero or above.

    Returns
    -------
    numpy.ndarray, shape (...)
        Conductance [W/K].

    Raises
    ------
    PhysicsDomainError
        A flow is negative or not finite.

    Notes
    -----
    A rough figure: nobody measures this flow in a wintering hive, it changes with wind and with
    the bees' own fanning, and moisture carries further heat. No derived table uses it.

    References
    ----------
    ρ·c_p of dry air at 0 °C, 1.29 kg/m³ and 1005 J/(kg·K), from memory.

    Examples
    --------
    >>> round(float(air_change_conductance(0.5)), 2)
    0.65
    """
    flow = np.asarray(flow_l_per_s, dtype=float)
    refuse(
        ~(np.isfinite(flow) & (flow >= 0)),
        "An air flow is negative or not a number",
        "Give flows in litres per second, zero or above.",
    )
    return np.asarray(flow / 1000.0 * 1.29 * 1005.0)


def inner_surface_temperature(
    inside_c: ArrayLike, outside_c: ArrayLike, resistance_m2k_per_w: ArrayLike, flow: Flow
) -> Array:
    """Temperature of a surface's inner face in steady state.

    Parameters
    ----------
    inside_c, outside_c : array_like, shape (...)
        Air temperatures inside and outside the hive [°C]; NaN stays NaN.
    resistance_m2k_per_w : array_like, shape (...)
        Air-to-air resistance with both films [m²·K/W]; at least the inside film's.
    flow : {"upward", "horizontal", "downward"}
        Direction in which heat leaves the hive through the surface.

    Returns
    -------
    numpy.ndarray, shape (...)
        Temperature [°C].

    Raises
    ------
    PhysicsDomainError
        A resistance is smaller than the inside film's alone.

    References
    ----------
    ISO 13788:2012, temperature of an internal surface, with the films of ISO 6946:2017.

    Examples
    --------
    >>> float(inner_surface_temperature(15.0, -10.0, 0.325, "horizontal"))
    5.0
    """
    resistance = np.asarray(resistance_m2k_per_w, dtype=float)
    film = INSIDE_FILM[flow]
    refuse(
        ~(resistance >= film),
        "A surface's resistance is smaller than its inside film's",
        "Give the air-to-air resistance, films included.",
    )
    inside = np.asarray(inside_c, dtype=float)
    return np.asarray(inside - (inside - np.asarray(outside_c, dtype=float)) * film / resistance)
