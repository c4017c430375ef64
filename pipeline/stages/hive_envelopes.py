"""Each hive's envelope: resistance of every surface, insulation level, conductance."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from pipeline.physics.envelope import (
    FLOW_OF_SURFACE,
    INSIDE_FILM,
    OUTSIDE_FILM,
    SURFACES,
    envelope_conductance,
    surface_areas,
)
from pipeline.physics.insulation import insulation_level, is_insulated
from pipeline.physics.materials import material_resistance
from pipeline.settings import Settings
from pipeline.stages.windows import UNIT

NO_SET_UP: Final = "no set-up recorded"
NO_BODY: Final = "material or thickness of the hive body not recorded"
NO_FIGURE: Final = "a layer's resistance is not known"
NO_DIMENSIONS: Final = "inside dimensions not recorded"

HIVES_AT_ONCE: Final = 20_000  # of some ten layers each

_SIDES: Final = ("front", "back", "left", "right")
_DIMENSIONS: Final = ("inner_length_mm", "inner_width_mm", "inner_height_mm")


def _body_layers(hives: pl.DataFrame) -> pl.DataFrame:
    """The bare hive's layer on each surface; cover and floor are as the walls where empty."""
    part_of_surface = {"top": "cover", "bottom": "floor"}
    frames = []
    for surface in SURFACES:
        part = part_of_surface.get(surface, "wall")
        frames.append(
            hives.select(
                "hive_no",
                surface=pl.lit(surface),
                is_body=pl.lit(True),
                material=pl.coalesce(f"{part}_material", "wall_material"),
                thickness_mm=pl.coalesce(f"{part}_thickness_mm", "wall_thickness_mm"),
            )
        )
    return pl.concat(frames)


def _added_layers(set_up_layers: pl.DataFrame) -> pl.DataFrame:
    """Added layers, with ``sides`` written out as the four walls."""
    return (
        set_up_layers.with_columns(
            surface=pl.when(pl.col("surface") == "sides")
            .then(pl.lit(list(_SIDES)))
            .otherwise(pl.concat_list("surface"))
        )
        .explode("surface")
        .select("hive_no", "surface", pl.lit(False).alias("is_body"), "material", "thickness_mm")
    )


def _surfaces(layers: pl.DataFrame) -> pl.DataFrame:
    """What is known of each surface's resistance without films; one row per hive and surface."""
    flow = pl.col("surface").replace_strict(dict(FLOW_OF_SURFACE), return_dtype=pl.String)
    parts = []
    for direction in INSIDE_FILM:
        rows = layers.filter(flow == direction)
        boards = rows.select("material", "thickness_mm").unique()
        resistance = material_resistance(
            boards["material"].to_list(), boards["thickness_mm"].to_numpy(), direction
        )
        known = boards.with_columns(m2k_per_w=pl.Series(resistance, nan_to_null=True))
        parts.append(rows.join(known, on=boards.columns, how="left", nulls_equal=True))
    return (
        pl.concat(parts)
        .sort("hive_no", "surface", "m2k_per_w", "material")
        .group_by("hive_no", "surface", maintain_order=True)
        .agg(
            known_m2k_per_w=pl.col("m2k_per_w").sum(),
            is_body_unknown=(pl.col("m2k_per_w").is_null() & pl.col("is_body")).any(),
            is_layer_unknown=(pl.col("m2k_per_w").is_null() & ~pl.col("is_body")).any(),
        )
    )


def _judged(surfaces: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Add air-to-air resistance (null when not fully known) and whether it counts as insulated.

    What is known may already be enough to count as insulated, whatever the rest is.
    """
    films = {s: INSIDE_FILM[FLOW_OF_SURFACE[s]] + OUTSIDE_FILM for s in SURFACES}
    is_enough = is_insulated(
        surfaces["known_m2k_per_w"].to_numpy(), settings.levels.added_resistance_m2k_per_w
    )
    is_unknown = pl.col("is_body_unknown") | pl.col("is_layer_unknown")
    return surfaces.with_columns(
        total_m2k_per_w=pl.when(~is_unknown).then(
            pl.col("known_m2k_per_w")
            + pl.col("surface").replace_strict(films, return_dtype=pl.Float64)
        ),
        is_insulated=pl.when(pl.Series(is_enough) | ~is_unknown).then(pl.Series(is_enough)),
    )


def _wide(surfaces: pl.DataFrame) -> pl.DataFrame:
    """One row per hive: a resistance and a verdict for each surface, and what is unknown."""
    columns = []
    for surface in SURFACES:
        here = pl.col("surface") == surface
        columns += [
            pl.col("total_m2k_per_w").filter(here).first().alias(f"{surface}_m2k_per_w"),
            pl.col("is_insulated").filter(here).first().alias(f"is_{surface}_insulated"),
        ]
    return surfaces.group_by("hive_no").agg(
        *columns, pl.col("is_body_unknown").any(), pl.col("is_layer_unknown").any()
    )


def _described(
    hives: pl.DataFrame, set_up_layers: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Dimensions and surfaces of each hive, with level and conductance where they can be known."""
    numbered = hives.with_row_index("hive_no")
    layers = set_up_layers.join(numbered.select(*UNIT, "hive_no"), on=UNIT)
    surfaces = _surfaces(pl.concat([_body_layers(numbered), _added_layers(layers)]))
    described = numbered.select("hive_no", *UNIT, *_DIMENSIONS).join(
        _wide(_judged(surfaces, settings)), on="hive_no", how="left", maintain_order="left"
    )
    return _with_level_and_conductance(described, settings)


def hive_envelopes(
    colony_seasons: pl.DataFrame,
    colonies: pl.DataFrame,
    set_ups: pl.DataFrame,
    set_up_layers: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Envelope of each hive as set up for the winter; one row per colony-winter.

    Layers whose joints are open count in full: how much a draught takes off is not known.
    ``has_open_joints`` tells of them.
    """
    hives = (
        colony_seasons.select(*UNIT)
        .join(set_ups.select(*UNIT), on=UNIT, how="semi")
        .join(colonies, on="colony_id", how="left")
        .sort(*UNIT)
    )
    layers = set_up_layers.join(hives, on=UNIT, how="semi")
    parts = [*hives.iter_slices(HIVES_AT_ONCE)] or [hives]
    described = pl.concat(_described(part, layers, settings) for part in parts)
    open_joints = layers.group_by(*UNIT).agg(has_open_joints=(~pl.col("is_sealed")).any())
    no_level = pl.col("level").is_null()
    return (
        colony_seasons.select(*UNIT)
        .join(set_ups.select(*UNIT, has_set_up=pl.lit(True)), on=UNIT, how="left")
        .join(described, on=UNIT, how="left")
        .join(open_joints, on=UNIT, how="left")
        .with_columns(
            has_open_joints=pl.when(pl.col("has_set_up")).then(
                pl.col("has_open_joints").fill_null(False)
            ),
            level_reason=pl.when(pl.col("has_set_up").is_null())
            .then(pl.lit(NO_SET_UP))
            .when(no_level & pl.col("is_body_unknown"))
            .then(pl.lit(NO_BODY))
            .when(no_level)
            .then(pl.lit(NO_FIGURE)),
            conductance_reason=pl.when(pl.col("has_set_up").is_null())
            .then(pl.lit(NO_SET_UP))
            .when(pl.col("is_body_unknown"))
            .then(pl.lit(NO_BODY))
            .when(pl.col("is_layer_unknown"))
            .then(pl.lit(NO_FIGURE))
            .when(pl.col("conductance_w_per_k").is_null())
            .then(pl.lit(NO_DIMENSIONS)),
        )
        .select(
            *UNIT,
            *(f"{surface}_m2k_per_w" for surface in SURFACES),
            *(f"is_{surface}_insulated" for surface in SURFACES),
            "insulated_surfaces",
            "level",
            "level_reason",
            "conductance_w_per_k",
            "conductance_reason",
            "has_open_joints",
        )
        .sort(*UNIT)
    )


def _with_level_and_conductance(described: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Add level, number of insulated surfaces and conductance where they can be known."""
    is_floor_counted = settings.levels.is_floor_counted
    verdicts = [f"is_{surface}_insulated" for surface in SURFACES]
    counted = verdicts if is_floor_counted else verdicts[:-1]
    insulated = described.select(pl.col(verdicts).fill_null(False)).to_numpy().astype(bool)
    level = insulation_level(insulated, is_floor_counted=is_floor_counted)
    totals = [f"{surface}_m2k_per_w" for surface in SURFACES]
    has_all = described.select(
        pl.all_horizontal(pl.col([*totals, *_DIMENSIONS]).is_not_null())
    ).to_series()
    whole = described.filter(has_all)
    conductance = np.full(len(described), np.nan)
    conductance[has_all.to_numpy()] = envelope_conductance(
        surface_areas(*(whole[side].to_numpy() for side in _DIMENSIONS)),
        whole.select(totals).to_numpy(),
    )
    is_known = pl.all_horizontal(pl.col(counted).is_not_null())
    return described.with_columns(
        level=pl.when(is_known).then(pl.Series(level.tolist(), dtype=pl.String)),
        insulated_surfaces=pl.when(pl.all_horizontal(pl.col(verdicts).is_not_null())).then(
            pl.sum_horizontal(pl.col(name).cast(pl.Int64) for name in verdicts)
        ),
        conductance_w_per_k=pl.Series(conductance, nan_to_null=True),
    )
