"""Write a complete invented study: members' files, mappings, weather, truth."""

from __future__ import annotations

from collections import Counter
from importlib.resources import files
from pathlib import Path

from pipeline.demo.extent import DemoSize
from pipeline.demo.faults import misread_weighings, plant_correction, plant_faults
from pipeline.demo.history import Winter, run_winters
from pipeline.demo.log import write_log
from pipeline.demo.logger_files import write_loggers
from pipeline.demo.loggers import sensor_readings
from pipeline.demo.pounds import write_pounds
from pipeline.demo.records import build_records
from pipeline.demo.semicolons import write_semicolons
from pipeline.demo.styles import (
    BRANCHES,
    Records,
    consents,
    of_members,
    prices,
    write_templates_of,
)
from pipeline.demo.truth import (
    DemoTruth,
    PlantedFault,
    naive_effects,
    potential_outcomes,
    true_effects,
    true_levels,
    write_truth,
)
from pipeline.demo.weather import Weather, build_weather
from pipeline.demo.weather_files import write_weather
from pipeline.demo.workbook import write_workbook
from pipeline.demo.world import World, build_world
from pipeline.settings import Settings, StudySettings
from pipeline.study import new_study

CURRENCY = "XTS"
"""The code that ISO 4217 keeps for tests."""
TIME_ZONE = "Etc/GMT+5"
"""Five hours behind UTC all year: the invented valley has no summer time."""

NOTE = (
    "Everything in this folder is invented: the association, its members, places, coordinates, "
    "weather, bees and figures. Nothing in it is evidence about insulation."
)
MAPPED = {
    "pounds": write_pounds,
    "semicolons": write_semicolons,
    "workbook": write_workbook,
    "log": write_log,
}


def demo_settings() -> Settings:
    """Return the settings of the invented study."""
    return Settings(
        study=StudySettings(
            name="Veldrune Valley winter study (invented data)",
            association="Veldrune Valley Beekeepers (invented)",
            is_invented=True,
            currency=CURRENCY,
            time_zone=TIME_ZONE,
        )
    )


def write_demo(folder: Path, *, seed: int, size: DemoSize) -> DemoTruth:
    """Write an invented association's study, ready to be run.

    Parameters
    ----------
    folder : Path
        The study folder to make.
    seed : int
        Seed of everything invented; the same seed and size give the same files.
    size : DemoSize
        How large the association is.

    Returns
    -------
    DemoTruth
        What is true because it was invented; also written to ``truth.json``.

    Raises
    ------
    StudyError
        The folder holds something already.
    """
    study = new_study(folder, demo_settings())
    world, weather = build_world(size.extent, seed), build_weather(size.extent, seed)
    winters = run_winters(world, weather)
    (folder / "INVENTED.txt").write_text(NOTE + "\n", encoding="utf-8")
    for source in files("pipeline.demo").joinpath("mappings").iterdir():
        if source.name.endswith(".toml"):
            target = study.mappings_path / source.name
            target.write_bytes(source.read_bytes())
    write_weather(study.weather_path, weather)
    sent, faults = _write_records(study.inbox_path, world, winters)
    sent["sensor_readings"] = _write_loggers(study.inbox_path, world, weather, winters)
    faults += plant_faults(study.inbox_path, world, winters)
    sent.update(fault.record for fault in faults)  # a row each: planted, or sent again corrected
    outcomes = potential_outcomes(winters)
    truth = DemoTruth(
        note=NOTE,
        seed=seed,
        size=size.value,
        units=outcomes.eaten_kg.shape[1],
        window_days=float(outcomes.window_days.mean()),
        effects=true_effects(outcomes),
        naive=naive_effects(outcomes),
        levels=true_levels(outcomes),
        faults=tuple(faults),
        rows_sent=dict(sorted(sent.items())),
    )
    write_truth(folder / "truth.json", truth)
    return truth


def _write_records(
    inbox: Path, world: World, winters: list[Winter]
) -> tuple[Counter[str], list[PlantedFault]]:
    """Write all members' books; the coordinator keeps the register of places and moves."""
    records = build_records(world, winters)
    members, styles = world.members, world.members.style
    in_style = {style: [m for m, own in enumerate(styles) if own == style] for style in set(styles)}
    sent = _write_register(inbox, world, records, in_style.get("log", []))
    kept = {name: frame for name, frame in records.items() if name not in ("apiaries", "stays")}
    half = (len(in_style["templates"]) + 1) // 2
    faults: list[PlantedFault] = []
    for branch, group in zip(
        BRANCHES, (in_style["templates"][:half], in_style["templates"][half:]), strict=True
    ):
        own = of_members(kept, group)
        has_notes = branch == BRANCHES[0]
        if not has_notes:
            sent += write_templates_of(inbox, branch, own)
            continue
        first, corrected = misread_weighings(own["weighings"])
        own["weighings"] = first
        sent += write_templates_of(inbox, branch, own, has_notes=True)
        file = f"{branch}_weighings.csv"
        faults += plant_correction(inbox, file, first, corrected, first_row=3)
    for style, write in MAPPED.items():
        for member in in_style.get(style, []):
            sent += write(inbox, members.member_id[member], of_members(kept, [member]))
    return sent, faults


def _write_register(
    inbox: Path, world: World, records: Records, without_hive_list: list[int]
) -> Counter[str]:
    """Write what the coordinator keeps: places, moves, prices, consents, hives nobody lists."""
    register = {
        "apiaries": records["apiaries"].drop("member"),
        "stays": records["stays"].drop("member"),
        "colonies": of_members(records, without_hive_list)["colonies"],
        "prices": prices(world.extent.winter_years, CURRENCY),
        "members": consents(world.members.member_id),
    }
    return write_templates_of(inbox, "association", register)


def _write_loggers(inbox: Path, world: World, weather: Weather, winters: list[Winter]) -> int:
    rows = 0
    for member, readings in sensor_readings(world, weather, winters):
        write_loggers(inbox, world.members.member_id[member], world.members.style[member], readings)
        rows += readings.height
    return rows
