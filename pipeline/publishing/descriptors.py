"""What the columns of a bundle mean: contracts and the data package's descriptor.

References
----------
Data Package standard 2.0 (``datapackage.json``) and its Table Schema.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.contracts import Contract, Field, load_derived_contracts
from pipeline.publishing.checksums import digest_of
from pipeline.publishing.coarsen import Step
from pipeline.publishing.licences import Licence
from pipeline.publishing.tables import FOLDER, Tables
from pipeline.settings import Settings

TABLE_SCHEMA = "https://datapackage.org/profiles/2.0/tableschema.json"
PACKAGE = "https://datapackage.org/profiles/2.0/datapackage.json"
TITLES = {
    "colony_winters": "Colony-winters as published",
    "mite_samples": "Mite counts as published",
    "set_ups": "Insulated surfaces",
}
KEYS = {
    "colony_winters": ["colony_id", "winter"],
    "mite_samples": ["colony_id", "winter", "method", "sample_no"],
    "set_ups": ["colony_id", "winter"],
}
ALIKE = "; made alike in groups of colonies, the mean of the group"
COARSE = {
    "colony_id": "A pseudonym of the colony",
    "winter": "The year the winter starts; 2024 is winter 2024/25",
    "apiary_id": "A pseudonym of the apiary where it stood on the winter's first day",
    "member_id": "A pseudonym of the member who keeps that apiary",
    "cold_kd_per_day": (
        "Mean degree-days per day of the whole winter at the apiary, in steps of {cold_k:g} K"
    ),
    "elevation_m": "Height of the apiary above sea level, in wide steps",
    "stores_use_kg": "Honey-equivalent eaten, scaled to the days of the reference winter",
    "stores_method_sd_kg": "Error of that, in steps of 0.5 kg",
    "autumn_stores_kg": "Stores at the autumn weighing, in steps of 1 kg",
    "autumn_strength_frames": f"Frames of bees in autumn{ALIKE}",
    "spring_strength_frames": f"Frames of bees in spring, of colonies that survived{ALIKE}",
    "autumn_strength_sd_frames": "Counting error of that, the spread inside its group added",
    "spring_strength_sd_frames": "Counting error of that, the spread inside its group added",
    "treatment_ingredient": (
        "Active ingredient of the last treatment before the mite reference date; other where few "
        "used it"
    ),
    "queen_age_years": "Age of the queen at the winter's start; the oldest are told as less",
    "days_before_reference": (
        "Days from the sample to the mite reference date: the mean of all counts of the winter"
    ),
    "sample_no": "Number of the count, in no order of time",
    "insulated_walls": "Walls of four that count as insulated; empty where few colonies were so",
    "is_top_insulated": "Whether the top counts as insulated; empty where few colonies were so",
    "is_bottom_insulated": (
        "Whether the bottom counts as insulated; empty where few colonies were so"
    ),
}
_TYPES = {pl.Int64: "integer", pl.Float64: "number", pl.Boolean: "boolean", pl.String: "string"}


def _field(
    name: str, kind: pl.DataType, field: Field | None, key: list[str], step: Step
) -> dict[str, Any]:
    said: dict[str, Any] = {"name": name, "type": _TYPES[type(kind)]}
    told = COARSE.get(name)
    said["description"] = (
        f"{told.format(cold_k=step.cold_k)}." if told else field.description if field else name
    )
    limits: dict[str, Any] = {"required": True} if name in key else {}
    if field and field.enum:
        limits["enum"] = list(field.enum)
    if limits:
        said["constraints"] = limits
    if field and field.unit:
        said["winterpool:unit"] = field.unit
    return said


def table_schema(name: str, frame: pl.DataFrame, step: Step) -> dict[str, Any]:
    """Describe one published table.

    Parameters
    ----------
    name : {"colony_winters", "mite_samples", "set_ups"}
    frame : polars.DataFrame
    step : Step
        How coarse it is.

    Returns
    -------
    dict
        A Table Schema.
    """
    contract: Contract | None = load_derived_contracts().get(name)
    known = {} if contract is None else {field.name: field for field in contract.fields}
    key = KEYS[name]
    schema: dict[str, Any] = {
        "$schema": TABLE_SCHEMA,
        "title": TITLES[name],
        "missingValues": [""],
        "fields": [_field(c, kind, known.get(c), key, step) for c, kind in frame.schema.items()],
        "primaryKey": key,
    }
    if name != "colony_winters":
        fields = KEYS["colony_winters"]
        reference = {"resource": "colony_winters", "fields": fields}
        schema["foreignKeys"] = [{"fields": fields, "reference": reference}]
    return schema


def write_json(path: Path, value: Any) -> None:
    """Write JSON, two blanks deep, in UTF-8."""
    text = json.dumps(value, indent=2, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def write_descriptors(
    folder: Path, tables: Tables, settings: Settings, licence: Licence, step: Step
) -> None:
    """Write ``contracts/NAME.json`` and ``datapackage.json``; the tables must be written."""
    (folder / "contracts").mkdir()
    resources = []
    for name in Tables.__slots__:
        schema = table_schema(name, getattr(tables, name), step)
        write_json(folder / "contracts" / f"{name}.json", schema)
        path = folder / FOLDER / f"{name}.csv"
        resources.append(
            {
                "name": name,
                "title": TITLES[name],
                "path": f"{FOLDER}/{name}.csv",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": path.stat().st_size,
                "hash": f"sha256:{digest_of(path)}",
                "schema": schema,
            }
        )
    package = {
        "$schema": PACKAGE,
        "name": "winterpool-bundle",
        "title": settings.study.name,
        "description": "Pseudonymous winter records of honey-bee colonies and what they say of "
        "hive insulation.",
        "licenses": [{"name": licence.name, "title": licence.title, "path": licence.url}],
        "resources": resources,
    }
    write_json(folder / "datapackage.json", package)
