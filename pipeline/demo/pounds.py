"""A notebook in pounds and inches with month-first dates."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import polars as pl

from pipeline.demo.styles import Records, coded, feed_and_treatments, layers_beside, renamed, tally

LB_PER_KG = 1 / 0.45359237
"""The international pound, exact."""
MM_PER_INCH = 25.4


def write_pounds(inbox: Path, member: str, records: Records) -> Counter[str]:
    """Write one member's notebook in pounds, inches and month-first dates."""

    def save(name: str, frame: pl.DataFrame) -> None:
        dates = [n for n, dtype in frame.schema.items() if dtype == pl.Date]
        text = frame.with_columns(pl.col(dates).dt.strftime("%m/%d/%Y"))
        text.write_csv(inbox / f"{member} {name}.csv")

    def inches(column: str) -> pl.Expr:
        return (pl.col(column) / MM_PER_INCH).round(3)

    def pounds(column: str) -> pl.Expr:
        return (pl.col(column) * LB_PER_KG).round(1)

    materials = {
        "softwood": "pine",
        "expanded polystyrene": "white foam",
        "extruded polystyrene": "pink foam",
        "felt": "roofing felt",
    }
    hives = records["colonies"].with_columns(
        inches("^inner_.*_mm$"), inches("^.*_thickness_mm$"), pounds("empty_hive_kg")
    )
    for column in ("wall_material", "cover_material", "floor_material"):
        hives = coded(hives, column, materials)
    save(
        "hives",
        renamed(
            hives,
            {
                "colony_id": "Hive",
                "apiary_id": "Yard",
                "inner_length_mm": "Length in",
                "inner_width_mm": "Width in",
                "inner_height_mm": "Depth in",
                "wall_material": "Walls",
                "wall_thickness_mm": "Walls in",
                "cover_material": "Lid",
                "cover_thickness_mm": "Lid in",
                "floor_material": "Floor",
                "floor_thickness_mm": "Floor in",
                "frames_max": "Frames",
                "empty_hive_kg": "Empty lb",
                "established_year": "Started",
            },
        ),
    )
    prep = layers_beside(records).with_columns(
        inches("^(sides|top|bottom)_mm$"),
        inches("lower_entrance_width_mm"),
        pl.col("has_moisture_absorber").replace_strict({True: "Y", False: "N"}),
        pl.col("top_opening").replace({"open": "Y", "closed": "N"}),
        pl.col("assignment").replace({"randomised": "drawn", "chosen": "my choice"}),
    )
    for surface in ("sides", "top", "bottom"):
        prep = coded(prep, f"{surface}_material", materials)
    save(
        "winter prep",
        renamed(
            prep,
            {
                "colony_id": "Hive",
                "winter": "Winter starting",
                "installed_on": "Wrapped",
                "removed_on": "Unwrapped",
                "lower_entrance_width_mm": "Entrance in",
                "top_opening": "Upper entrance",
                "has_moisture_absorber": "Quilt",
                "assignment": "Decided by",
                "material_cost": "Cost",
                "work_h": "Hours",
                "sides_material": "Sides",
                "sides_mm": "Sides in",
                "top_material": "Top",
                "top_mm": "Top in",
                "bottom_material": "Under",
                "bottom_mm": "Under in",
            },
        ),
    )
    weights = records["weighings"].with_columns(pounds("gross_kg"), pounds("parts_added_kg"))
    tools = {"scale": "platform", "luggage scale": "hook", "frame estimate": "by eye"}
    save(
        "weights",
        renamed(
            coded(weights, "method", tools),
            {
                "colony_id": "Hive",
                "weighed_on": "Date",
                "gross_kg": "Gross lb",
                "method": "With",
                "parts_added_kg": "Wrap added lb",
            },
        ),
    )
    save(
        "checks",
        renamed(
            records["strength_inspections"],
            {
                "colony_id": "Hive",
                "inspected_on": "Date",
                "frames_of_bees": "Bees",
                "frames_of_brood": "Brood",
                "frames_in_hive": "Frames",
                "queen_status": "Queen",
                "method": "How",
            },
        ),
    )
    if records["mite_counts"].height:
        save(
            "mites",
            renamed(
                records["mite_counts"],
                {
                    "colony_id": "Hive",
                    "sampled_on": "Date",
                    "method": "How",
                    "sample_no": "No",
                    "bees_sampled": "Bees",
                    "mites_counted": "Mites",
                    "board_days": "Board days",
                },
            ),
        )
    given = feed_and_treatments(records).with_columns(pounds("mass_kg"))
    save(
        "feed and treatments",
        renamed(
            given,
            {
                "colony_id": "Hive",
                "on": "Date",
                "kind": "Kind",
                "what": "What",
                "mass_kg": "Feed lb",
                "dose": "Dose",
                "dose_unit": "Dose unit",
            },
        ),
    )
    states = {
        "alive": "made it",
        "dead": "dead out",
        "alive without laying queen": "no queen",
        "lost to disaster": "disaster",
        "moved away": "sold",
    }
    spring = coded(records["winter_outcomes"], "state", states)
    save(
        "spring",
        renamed(
            spring,
            {
                "colony_id": "Hive",
                "winter": "Winter starting",
                "checked_on": "Checked",
                "state": "Result",
                "likely_cause": "Why",
                "death_found_on": "Found dead",
            },
        ),
    )
    return tally(records)
