"""What a winter set-up does to a hive's walls: before buying foam, by the rules of the records.

Described hives go through the same stage as members' records, so level and conductance are
those that the pool would give them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.contracts import load_contracts
from pipeline.hive_description import Air, Hive
from pipeline.physics.envelope import (
    FLOW_OF_SURFACE,
    INSIDE_FILM,
    OUTSIDE_FILM,
    SURFACES,
    inner_surface_temperature,
)
from pipeline.physics.materials import material_resistance
from pipeline.physics.moist_air import dew_point
from pipeline.settings import Settings
from pipeline.stages.hive_envelopes import hive_envelopes

ANY_WINTER: Final = 2000  # the rules do not depend on it
SIDES: Final = ("front", "back", "left", "right")


@dataclass(frozen=True, slots=True)
class Sheet:
    """What follows for one hive.

    Attributes
    ----------
    name : str
    surfaces : polars.DataFrame
        surface, m2k_per_w (air to air, films included), is_insulated, inner_face_c; null where a
        material has no figure.
    level : str or None
    conductance_w_per_k : float or None
        By conduction alone, from inner areas: a lower bound.
    reason : str
        Why level or conductance is not known; empty when both are.
    loss_w : float or None
        Heat that leaves at the stated temperatures.
    coldest_surface : str or None
    dew_point_c : float
        Of the hive air.
    margin_k : float or None
        Coldest inner face less dew point; below zero water or frost forms there.
    material_cost : float or None
    top_opening : str or None
        As described; what goes through it is in no figure here.
    """

    name: str
    surfaces: pl.DataFrame
    level: str | None
    conductance_w_per_k: float | None
    reason: str
    loss_w: float | None
    coldest_surface: str | None
    dew_point_c: float
    margin_k: float | None
    material_cost: float | None
    top_opening: str | None


def _as_records(hives: list[Hive]) -> dict[str, pl.DataFrame]:
    """Tables of the hives as if they had been sent in."""
    contracts = load_contracts()
    unit = [{"colony_id": str(k), "winter": ANY_WINTER} for k in range(len(hives))]
    layers = [
        own | layer | {"layer_no": number, "is_sealed": layer.get("is_sealed", True)}
        for own, hive in zip(unit, hives, strict=True)
        for number, layer in enumerate(hive.layers, start=1)
    ]
    bodies = [{"colony_id": own["colony_id"]} | h.body for own, h in zip(unit, hives, strict=True)]
    return {
        "colony_seasons": pl.DataFrame(
            unit, {n: contracts["set_ups"].polars_schema[n] for n in ("colony_id", "winter")}
        ),
        "colonies": pl.DataFrame(bodies, contracts["colonies"].polars_schema),
        "set_ups": pl.DataFrame(unit, contracts["set_ups"].polars_schema),
        "set_up_layers": pl.DataFrame(layers, contracts["set_up_layers"].polars_schema),
    }


def _sheet(hive: Hive, row: dict[str, Any], air: Air) -> Sheet:
    surfaces = []
    for surface in SURFACES:
        resistance = row[f"{surface}_m2k_per_w"]
        face = None
        if resistance is not None:
            flow = FLOW_OF_SURFACE[surface]
            face = inner_surface_temperature(air.inside_c, air.outside_c, resistance, flow)
        surfaces.append(
            {
                "surface": surface,
                "m2k_per_w": resistance,
                "is_insulated": row[f"is_{surface}_insulated"],
                "inner_face_c": None if face is None else float(face),
            }
        )
    table = pl.DataFrame(
        surfaces,
        {
            "surface": pl.String,
            "m2k_per_w": pl.Float64,
            "is_insulated": pl.Boolean,
            "inner_face_c": pl.Float64,
        },
    )
    dew = float(dew_point(air.inside_c, air.humidity_pct))
    faces = table.drop_nulls("inner_face_c").sort("inner_face_c", maintain_order=True)
    is_whole = faces.height == len(SURFACES)  # an unknown surface may be the coldest
    conductance = row["conductance_w_per_k"]
    return Sheet(
        name=hive.name,
        surfaces=table,
        level=row["level"],
        conductance_w_per_k=conductance,
        reason=row["level_reason"] or row["conductance_reason"] or "",
        loss_w=None if conductance is None else conductance * (air.inside_c - air.outside_c),
        coldest_surface=faces["surface"][0] if is_whole else None,
        dew_point_c=dew,
        margin_k=faces["inner_face_c"][0] - dew if is_whole else None,
        material_cost=hive.material_cost,
        top_opening=hive.top_opening,
    )


def describe_hives(hives: list[Hive], air: Air, settings: Settings) -> list[Sheet]:
    """Say what follows for each hive.

    Parameters
    ----------
    hives : list of Hive
    air : Air
    settings : Settings
        ``levels`` is read: what counts as insulated.
    """
    rows = hive_envelopes(**_as_records(hives), settings=settings).rows_by_key(
        "colony_id", named=True, unique=True
    )
    return [_sheet(hive, rows[str(k)], air) for k, hive in enumerate(hives)]


@dataclass(frozen=True, slots=True)
class Section:
    """A cut through one surface, from the inside out.

    Attributes
    ----------
    surface : str
    materials : tuple of str
    thickness_mm : numpy.ndarray, shape (layer,)
        NaN where not given.
    temperature_c : numpy.ndarray, shape (layer + 1,)
        At the faces of the layers, the inner face first; NaN where a resistance is not known.
    """

    surface: str
    materials: tuple[str, ...]
    thickness_mm: np.ndarray
    temperature_c: np.ndarray


def cut_through(hive: Hive, surface: str, air: Air) -> Section:
    """Cut through one surface of a hive.

    Parameters
    ----------
    hive : Hive
    surface : str
        One of ``SURFACES``.
    air : Air

    References
    ----------
    ISO 6946:2017 for the resistances, ISO 13788:2012 for temperatures between layers: steady
    flow, so temperature falls in proportion to resistance.
    """
    part = {"top": "cover", "bottom": "floor"}.get(surface, "wall")
    body = [
        hive.body.get(f"{part}_{what}", hive.body.get(f"wall_{what}"))
        for what in ("material", "thickness_mm")
    ]
    own = {surface, "sides"} if surface in SIDES else {surface}
    added = [layer for layer in hive.layers if layer["surface"] in own]
    names = [body[0], *(layer["material"] for layer in added)]
    thickness = np.array(
        [np.nan if body[1] is None else body[1], *(layer["thickness_mm"] for layer in added)]
    )
    flow = FLOW_OF_SURFACE[surface]
    resistance = material_resistance(names, thickness, flow)
    to_face = INSIDE_FILM[flow] + np.concatenate([[0.0], np.cumsum(resistance)])
    fall = (air.inside_c - air.outside_c) * to_face / (to_face[-1] + OUTSIDE_FILM)
    return Section(
        surface, tuple(name or "not given" for name in names), thickness, air.inside_c - fall
    )
