"""A printable sheet and a return form for each member: only their own colonies, and cautions."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipeline.contracts import load_contracts
from pipeline.html_pages import POLICY, escape
from pipeline.physics.envelope import FLOW_OF_SURFACE, INSIDE_FILM, OUTSIDE_FILM, SURFACES
from pipeline.physics.insulation import REFERENCE_BOARD_M2K_PER_W
from pipeline.physics.materials import materials
from pipeline.settings import Settings
from pipeline.trial_colonies import SIDES, asked_surfaces
from pipeline.trial_record import Recorded

STEP_MM: Final = 5  # boards are sold in steps; thickness is rounded up to the next
MARGIN: Final = 1.1  # boards of one name differ by a tenth (data_contracts/materials.yaml)
EXAMPLES: Final = ("expanded polystyrene", "cork", "wood fibre")
CAUTIONS: Final = (
    "Lifting: a hive in autumn may weigh 30 to 60 kg. Lift with a second person or a barrow, and "
    "strap the hive before you move it.",
    "Cold: do the work on a mild, dry day, and do not open the brood nest in the cold. What can be "
    "added from outside needs no open hive.",
    "Foam and flame: foam boards burn and give off poisonous smoke. Light and keep the smoker away "
    "from them, never melt or cut them with a flame, and cut them outdoors with a mask on.",
    "Entrances: keep the lower entrance open and clear of bees, snow and foam all winter, and "
    "leave the ventilation your climate needs. A closed hive suffocates.",
    "Mites: treat by the product's label, at the temperatures and with the protection it asks for. "
    "Treat when your counts call for it, whatever was drawn, and record it. On treatments and on "
    "any sign of disease ask the apiary inspector or a veterinarian; they come before this trial.",
    "Local codes, and the safety of people and bees, come before what was drawn.",
)
_STYLE: Final = """
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 52rem; color: #1c1c1c; background: #fff;
  font: 1rem/1.45 system-ui, "Segoe UI", Roboto, "Liberation Sans", Arial, sans-serif; }
h1 { font-size: 1.4rem; margin: .5rem 0; } h2 { font-size: 1.1rem; margin: 1.2rem 0 .4rem; }
.invented { background: #fff3e6; color: #a33c00; border: 2px solid #a33c00; padding: .4rem .8rem; }
table { border-collapse: collapse; width: 100%; font-size: .92rem; }
caption { text-align: left; font-weight: 600; padding: .6rem 0 .2rem; }
th, td { border: 1px solid #8a8a8a; padding: .35rem .5rem; text-align: left; vertical-align: top; }
td.blank { min-width: 8rem; } td.level { font-weight: 700; white-space: nowrap; }
thead th { background: #f0f0f0; }
li { margin: .25rem 0; } .small { color: #565656; font-size: .85rem; overflow-wrap: anywhere; }
@media print { @page { size: A4; margin: 14mm; } body { padding: 0; font-size: 10.5pt; }
  tr, li { break-inside: avoid; } thead { display: table-header-group; } }
"""
_LEVEL_WORDS: Final = {
    "none": "no layer is added to any surface",
    "top": "the cover is insulated, walls and floor stay bare",
    "partial": "all four walls are insulated, cover and floor stay bare",
    "full": "all four walls, the cover and the floor are insulated",
}


def level_words(level: str, settings: Settings) -> str:
    """Say what a level asks, by the study's own rule."""
    if level == "full" and not settings.levels.is_floor_counted:
        return "all four walls and the cover are insulated; the floor as it is"
    return _LEVEL_WORDS[level]


def _still_needed(body: Mapping[str, Any], surface: str, settings: Settings) -> float | None:
    """Resistance that layers must add to a surface of a hive; None when its body is not known."""
    total = body.get(f"{surface}_m2k_per_w")
    if total is None:
        return None
    own = total - INSIDE_FILM[FLOW_OF_SURFACE[surface]] - OUTSIDE_FILM
    threshold = settings.levels.added_resistance_m2k_per_w
    return float(max(REFERENCE_BOARD_M2K_PER_W + threshold - own, 0.0))


def _thickness_words(needed_m2k_per_w: float) -> str:
    """Say thicknesses of common materials that add so much, rounded up."""
    said = []
    for name in EXAMPLES:
        conductivity = materials()[name].conductivity_w_per_mk
        if conductivity is not None:
            steps = math.ceil(round(MARGIN * needed_m2k_per_w * conductivity * 1000 / STEP_MM, 6))
            said.append(f"{max(steps, 1) * STEP_MM} mm of {name}")
    return " or ".join(said)


def what_to_add(level: str, body: Mapping[str, Any], settings: Settings) -> str:
    """Say which layers make a hive the level, by the rule of ``study.toml``.

    Parameters
    ----------
    level : str
    body : mapping
        The hive's row of ``hive_envelopes`` with nothing added.
    settings : Settings
        ``levels`` is read.
    """
    asked = asked_surfaces(level, settings)
    if not asked:
        return "Add nothing to walls, cover or floor."
    groups: dict[float | None, list[str]] = {}
    for surface in asked:
        needed = _still_needed(body, surface, settings)
        groups.setdefault(None if needed is None else round(needed, 3), []).append(surface)
    sentences = []
    for needed, surfaces in groups.items():
        rest = [s for s in surfaces if s not in SIDES]
        names = ["front, back, left, right"] if set(SIDES) <= set(surfaces) else []
        names += rest if names else surfaces
        where = ", ".join(names).capitalize()
        if needed == 0.0:
            sentences.append(f"{where}: insulated already.")
        elif needed is None:
            sentences.append(f"{where}: ask the coordinator how thick.")
        else:
            sentences.append(f"{where}: at least {_thickness_words(needed)}.")
    bare = [s for s in SURFACES if s not in asked]
    return " ".join(sentences) + (" Nothing elsewhere." if bare else "")


def _colony_rows(
    own: pl.DataFrame, bodies: Mapping[str, Mapping[str, Any]], settings: Settings
) -> str:
    rows = []
    for row in own.sort("colony_id").to_dicts():
        to_do = what_to_add(row["level"], bodies.get(row["colony_id"], {}), settings)
        rows.append(
            f'<tr><th scope="row">{escape(row["colony_id"])}</th>'
            f'<td class="level">{escape(row["level"])}</td><td>{escape(to_do)}</td>'
            '<td class="blank"></td><td class="blank"></td></tr>'
        )
    return "".join(rows)


def sheet_html(
    recorded: Recorded,
    member: str,
    own: pl.DataFrame,
    bodies: Mapping[str, Mapping[str, Any]],
    settings: Settings,
) -> str:
    """Write a member's sheet.

    Parameters
    ----------
    recorded : Recorded
    member : str
    own : polars.DataFrame
        Their drawn colonies, as ``DRAWN_SCHEMA``; nobody else's.
    bodies : mapping
        By colony, its row of ``hive_envelopes`` with nothing added.
    settings : Settings
    """
    winter = recorded.draw.winter
    name = f"{winter}/{(winter + 1) % 100:02d}"
    esc = escape
    banner = ""
    if settings.study.is_invented:
        banner = (
            '<p class="invented"><strong>Invented data: people, places, bees and figures on this '
            "sheet are made up.</strong></p>"
        )
    tables = []
    for apiary in own["apiary_id"].unique().sort().to_list():
        rows = _colony_rows(own.filter(pl.col("apiary_id") == apiary), bodies, settings)
        tables.append(
            f"<table><caption>Apiary {esc(apiary)}</caption><thead><tr>"
            '<th scope="col">Colony</th><th scope="col">Level drawn</th>'
            '<th scope="col">What to add to the bare hive</th><th scope="col">Done on</th>'
            '<th scope="col">What was done otherwise, and why</th></tr></thead>'
            f"<tbody>{rows}</tbody></table>"
        )
    levels = "".join(
        f"<li><strong>{esc(level)}</strong>: {esc(level_words(level, settings))}.</li>"
        for level in recorded.draw.levels
    )
    cautions = "".join(f"<li>{esc(text)}</li>" for text in CAUTIONS)
    whose = settings.study.association or settings.study.name
    threshold = settings.levels.added_resistance_m2k_per_w
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width">
<title>Set-ups drawn for winter {name}</title><style>{_STYLE}</style></head><body>
{banner}<h1>Set-ups drawn for winter {name}</h1>
<p>{esc(whose)}. Member: <strong>{esc(member)}</strong>. A lot decided which of your colonies
winters how, so that strong and weak colonies, and good and poor places, fall on every level alike.
The trial tells most when each colony winters as drawn.</p>
<h2>What the levels mean</h2><ul>{levels}</ul>
<p>A surface counts as insulated when hive body and added layers together resist at least
{threshold:g} m²·K/W more than a 22 mm softwood board. Thicknesses below have a tenth to spare;
more is fine. Close the joints against draughts.</p>
<h2>Your colonies</h2>{"".join(tables)}
<h2>Please</h2><ul>
<li>Count bees, count mites and weigh <strong>before</strong> you add anything, and have every
set-up complete by {_day(settings.winter.autumn_weighing_to)}.</li>
<li>Keep all colonies of an apiary alike in everything else: the top opening, the lower entrance,
feed. What was drawn is no reason to treat mites, or not to.</li>
<li>If a colony cannot winter as drawn, do what is right for the bees, and <strong>report
it</strong>: a deviation told is no harm, one not told spoils the answer. Do not swap two
colonies.</li>
<li>Send back the form beside this sheet with the day and the opening of every colony, and list each
added layer in the template <em>set_up_layers</em>.</li></ul>
<h2>Cautions</h2><ul>{cautions}</ul>
<p class="small">Draw {recorded.number} of winter {winter}, recorded {esc(recorded.recorded_at)},
seed {recorded.draw.seed}, list of colonies {esc(recorded.colonies_sha256[:16])}….</p>
</body></html>
"""


def _day(month_day: str) -> str:
    names = "January February March April May June July August September October November December"
    month, day = month_day.split("-")
    return f"{int(day)} {names.split()[int(month) - 1]}"


def _write_form(path: Path, own: pl.DataFrame) -> None:
    """Write the member's set-ups record with colony, winter and the lot filled in."""
    columns = load_contracts()["set_ups"].columns
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        for row in own.sort("colony_id").to_dicts():
            given = {**row, "assignment": "randomised"}
            writer.writerow([given.get(column, "") for column in columns])


def write_sheets(
    recorded: Recorded, drawn: pl.DataFrame, bodies: pl.DataFrame, settings: Settings
) -> list[Path]:
    """Write every member's sheet and return form.

    Parameters
    ----------
    recorded : Recorded
    drawn : polars.DataFrame
        As ``DRAWN_SCHEMA``.
    bodies : polars.DataFrame
        ``hive_envelopes`` of the bare hives.
    settings : Settings

    Returns
    -------
    list of Path
        A folder for each member: ``sheet.html`` and ``set_ups.csv``.
    """
    by_colony = bodies.rows_by_key("colony_id", named=True, unique=True)
    folders = []
    for number, member in enumerate(drawn["member_id"].unique().sort().to_list(), start=1):
        own = drawn.filter(pl.col("member_id") == member)
        readable = re.sub(r"[^A-Za-z0-9]+", "-", member).strip("-")  # two members may read alike
        folder = recorded.members_path / f"{number:03d}-{readable}".rstrip("-")
        folder.mkdir(parents=True, exist_ok=True)
        page = sheet_html(recorded, member, own, by_colony, settings)
        (folder / "sheet.html").write_text(page, encoding="utf-8")
        _write_form(folder / "set_ups.csv", own)
        folders.append(folder)
    return folders
