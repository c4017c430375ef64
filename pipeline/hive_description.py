"""A file that describes hives as they might be set up: read, and checked like members' records."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipeline.contracts import Contract, Field, load_contracts
from pipeline.errors import ReadError
from pipeline.toml_files import read_toml

HIVE_FIELDS: Final = (
    "inner_length_mm",
    "inner_width_mm",
    "inner_height_mm",
    "wall_material",
    "wall_thickness_mm",
    "cover_material",
    "cover_thickness_mm",
    "floor_material",
    "floor_thickness_mm",
)
LAYER_FIELDS: Final = ("surface", "material", "thickness_mm", "is_sealed")
MAXIMUM_HIVES: Final = 20
EXAMPLE: Final = """\
# One hive, or several to compare with the first. Lengths in millimetres, inside the box.
[air]                   # beside the walls, away from the cluster; common practice, no source
inside_c = 10.0
humidity_pct = 70.0
outside_c = -15.0

[[hive]]
name = "bare box"
inner_length_mm = 465
inner_width_mm = 375
inner_height_mm = 480
wall_material = "softwood"
wall_thickness_mm = 22  # cover and floor are as the walls unless given
top_opening = "open"

[[hive]]
name = "foam all round"
inner_length_mm = 465
inner_width_mm = 375
inner_height_mm = 480
wall_material = "softwood"
wall_thickness_mm = 22
top_opening = "closed"
material_cost = 38.0
layers = [
    {surface = "sides", material = "extruded polystyrene", thickness_mm = 30},
    {surface = "top", material = "extruded polystyrene", thickness_mm = 50},
    {surface = "bottom", material = "extruded polystyrene", thickness_mm = 30},
]
"""


@dataclass(frozen=True, slots=True)
class Air:
    """The air on both sides: temperatures [°C] and the hive air's relative humidity [%]."""

    inside_c: float = 10.0
    humidity_pct: float = 70.0
    outside_c: float = -15.0


AIR_LIMITS: Final = {
    "inside_c": (-30.0, 40.0),
    "humidity_pct": (1.0, 100.0),
    "outside_c": (-60.0, 30.0),
}


@dataclass(frozen=True, slots=True)
class Hive:
    """One described hive: fields of the records of colonies, set-ups and added layers."""

    name: str
    body: dict[str, Any]
    layers: tuple[dict[str, Any], ...]
    material_cost: float | None
    top_opening: str | None = None


def _refuse(where: str, what: str, mend: str) -> ReadError:
    return ReadError(f"{where}: {what}.", mend=mend)


def _checked(where: str, field: Field, value: Any) -> Any:
    """Return a value that keeps its record's contract, or say what is wrong with it."""
    place = f"{field.name} = {value!r}"
    if field.type == "number":
        if type(value) not in (int, float):
            raise _refuse(where, f"{place} is not a number", f"Give it in {field.unit}.")
        low, high = field.minimum, field.maximum
        if not (low is None or value >= low) or not (high is None or value <= high):
            raise _refuse(
                where, f"{place} is not between {low} and {high} {field.unit}", "Check its unit."
            )
        return float(value)
    if field.type == "boolean":
        if type(value) is not bool:
            raise _refuse(where, f"{place} is neither true nor false", "Write true or false.")
        return value
    if value not in field.enum:
        raise _refuse(where, f"{place} is not known", f"Use one of: {', '.join(field.enum)}.")
    return value


def _fields(
    where: str, given: Any, contract: Contract, names: tuple[str, ...], also: tuple[str, ...] = ()
) -> dict[str, Any]:
    if not isinstance(given, dict):
        raise _refuse(where, "this is not a table of names and values", "Write name = value.")
    unknown = [name for name in given if name not in (*names, *also)]
    if unknown:
        raise _refuse(
            where, f"there is no {unknown[0]!r}", f"Use one of: {', '.join((*names, *also))}."
        )
    return {n: _checked(where, contract.field(n), given[n]) for n in names if n in given}


def _read_hive(where: str, given: Any) -> Hive:
    contracts = load_contracts()
    also = ("name", "material_cost", "top_opening", "layers")
    body = _fields(where, given, contracts["colonies"], HIVE_FIELDS, also)
    name = given.get("name")
    if not isinstance(name, str) or not name.strip():
        raise _refuse(where, "the hive has no name", 'Give it one: name = "bare box".')
    where = f"{where} ({name})"
    cost = given.get("material_cost")
    if cost is not None:
        cost = _checked(where, contracts["set_ups"].field("material_cost"), cost)
    opening = given.get("top_opening")
    if opening is not None:
        opening = _checked(where, contracts["set_ups"].field("top_opening"), opening)
    layers = given.get("layers", [])
    if not isinstance(layers, list):
        raise _refuse(where, "layers is not a list", "Write layers = [{surface = …}, …].")
    made = []
    for number, layer in enumerate(layers, start=1):
        at = f"{where}, layer {number}"
        own = _fields(at, layer, contracts["set_up_layers"], LAYER_FIELDS)
        for needed in LAYER_FIELDS[:3]:
            if needed not in own:
                raise _refuse(at, f"{needed} is missing", "Give surface, material and thickness.")
        made.append(own)
    return Hive(name, body, tuple(made), cost, opening)


def _read_air(where: str, given: Any) -> Air:
    if not isinstance(given, dict):
        raise _refuse(where, "air is not a section", "Write it as [air].")
    for name, value in given.items():
        if name not in AIR_LIMITS:
            raise _refuse(where, f"[air] has no {name!r}", f"Use one of: {', '.join(AIR_LIMITS)}.")
        low, high = AIR_LIMITS[name]
        if type(value) not in (int, float) or not low <= value <= high:
            raise _refuse(
                where,
                f"[air] {name} = {value!r} is not a number between {low:g} and {high:g}",
                "Give temperatures in °C and humidity in %.",
            )
    return Air(**{name: float(value) for name, value in given.items()})


def read_hives(path: Path) -> tuple[list[Hive], Air]:
    """Read a description file.

    Raises
    ------
    ReadError
        The file is missing, is not TOML, or describes something that records could not hold.
    """
    try:
        if path.is_dir():
            raise FileNotFoundError
        given = read_toml(path, str(path), ReadError)
    except FileNotFoundError:
        raise ReadError(
            f"There is no file {path}.",
            mend="See what one looks like with: winterpool hive --example.",
        ) from None
    unknown = [name for name in given if name not in ("air", "hive")]
    if unknown:
        raise _refuse(path.name, f"there is no section {unknown[0]!r}", "Use [air] and [[hive]].")
    hives = given.get("hive")
    if not isinstance(hives, list) or not 1 <= len(hives) <= MAXIMUM_HIVES:
        raise _refuse(
            path.name,
            f"it does not describe 1 to {MAXIMUM_HIVES} hives",
            "Describe each under a heading [[hive]].",
        )
    made = [_read_hive(f"{path.name}, hive {k}", hive) for k, hive in enumerate(hives, start=1)]
    names = [hive.name for hive in made]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise _refuse(
            path.name, f"two hives are called {min(twice)!r}", "Give each a name of its own."
        )
    return made, _read_air(path.name, given.get("air", {}))
