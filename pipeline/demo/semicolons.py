"""Semicolon files with decimal commas, Latin-1 letters and an invented tongue."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import polars as pl

from pipeline.demo.styles import Records, coded, feed_and_treatments, layers_beside, renamed, tally


def write_semicolons(inbox: Path, member: str, records: Records) -> Counter[str]:
    """Write one member's semicolon files: decimal commas, Latin-1, an invented tongue."""

    def save(name: str, frame: pl.DataFrame, headings: dict[str, str]) -> None:
        dates = [n for n, dtype in frame.schema.items() if dtype == pl.Date]
        text = renamed(frame.with_columns(pl.col(dates).dt.strftime("%d.%m.%Y")), headings)
        content = text.write_csv(separator=";", decimal_comma=True)
        (inbox / f"{member} {name}.csv").write_bytes(content.encode("latin-1"))

    wood = {"softwood": "grån", "expanded polystyrene": "hvitskum"}
    wood |= {"extruded polystyrene": "blåskum", "felt": "tækfilt"}
    ways = {"scale": "golvvægt", "luggage scale": "krokvægt", "frame estimate": "øgat"}
    hives = records["colonies"]
    for column in ("wall_material", "cover_material", "floor_material"):
        hives = coded(hives, column, wood)
    save(
        "skarnbok",
        hives,
        {
            "colony_id": "Skærn",
            "apiary_id": "Plåts",
            "inner_length_mm": "Længd mm",
            "inner_width_mm": "Brejd mm",
            "inner_height_mm": "Højd mm",
            "wall_material": "Vægg",
            "wall_thickness_mm": "Vægg mm",
            "cover_material": "Låk",
            "cover_thickness_mm": "Låk mm",
            "floor_material": "Bøtn",
            "floor_thickness_mm": "Bøtn mm",
            "frames_max": "Råmer",
            "empty_hive_kg": "Tom kg",
            "established_year": "Født",
        },
    )
    prep = layers_beside(records).with_columns(
        pl.col("has_moisture_absorber").replace_strict({True: "já", False: "nøj"}),
        pl.col("top_opening").replace({"open": "åpen", "closed": "stængd"}),
        pl.col("assignment").replace({"randomised": "løtt", "chosen": "ejen"}),
    )
    for surface in ("sides", "top", "bottom"):
        prep = coded(prep, f"{surface}_material", wood)
    save(
        "vinterklad",
        prep,
        {
            "colony_id": "Skærn",
            "winter": "Vinter",
            "installed_on": "Påsatt",
            "removed_on": "Avtågt",
            "lower_entrance_width_mm": "Flyghål mm",
            "top_opening": "Øvrehål",
            "has_moisture_absorber": "Fuktmått",
            "assignment": "Vål",
            "material_cost": "Kost",
            "work_h": "Tid h",
            "sides_material": "Sidor",
            "sides_mm": "Sidor mm",
            "top_material": "Tåk",
            "top_mm": "Tåk mm",
            "bottom_material": "Under",
            "bottom_mm": "Under mm",
        },
    )
    save(
        "vagter",
        coded(records["weighings"], "method", ways),
        {
            "colony_id": "Skærn",
            "weighed_on": "Dåg",
            "gross_kg": "Vægt kg",
            "method": "Måte",
            "parts_added_kg": "Tillågt kg",
        },
    )
    looks = {"each comb": "kåk", "gaps from above": "ovan", "photographs": "bild"}
    looks |= {"gaps from above and below": "ovan ok under"}
    queen = {"queenright": "já", "not seen": "øsedd"}
    save(
        "tillsyn",
        coded(coded(records["strength_inspections"], "method", looks), "queen_status", queen),
        {
            "colony_id": "Skærn",
            "inspected_on": "Dåg",
            "frames_of_bees": "Bin",
            "frames_of_brood": "Yngel",
            "frames_in_hive": "Råmer",
            "queen_status": "Drønning",
            "method": "Måte",
        },
    )
    if records["mite_counts"].height:
        washes = {"alcohol wash": "tvætt", "sugar roll": "sukker", "sticky board": "brætt"}
        save(
            "midder",
            coded(records["mite_counts"], "method", washes),
            {
                "colony_id": "Skærn",
                "sampled_on": "Dåg",
                "method": "Måte",
                "sample_no": "Nummer",
                "bees_sampled": "Bin",
                "mites_counted": "Midder",
                "board_days": "Dågar",
            },
        )
    save(
        "foda",
        coded(feed_and_treatments(records), "kind", {"feed": "føda", "treatment": "bot"}),
        {
            "colony_id": "Skærn",
            "on": "Dåg",
            "kind": "Slåg",
            "what": "Vad",
            "mass_kg": "Føda kg",
            "dose": "Dos",
            "dose_unit": "Enhet",
        },
    )
    states = {
        "alive": "lever",
        "dead": "død",
        "alive without laying queen": "drønningløs",
        "lost to disaster": "ølycka",
        "moved away": "såld",
    }
    save(
        "varsyn",
        coded(records["winter_outcomes"], "state", states),
        {
            "colony_id": "Skærn",
            "winter": "Vinter",
            "checked_on": "Dåg",
            "state": "Tilstånd",
            "likely_cause": "Orsåk",
            "death_found_on": "Funnen",
        },
    )
    return tally(records)
