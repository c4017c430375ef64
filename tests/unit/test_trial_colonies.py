"""Who can take part in a draw, what the levels ask of a hive, and deviations one by one."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.assignment_check import Done, compare_with_done, count_done
from pipeline.assignment_sheets import level_words, what_to_add
from pipeline.settings import LevelSettings, Settings
from pipeline.trial_colonies import TrialTables, bare_hives, trial_colonies
from tests.stage_frames import derived, hive, records, yard

FOAM = {"wall_material": "expanded polystyrene", "wall_thickness_mm": 40.0}
SETTINGS = Settings()


def tables(rows: dict[str, list[dict[str, Any]]]) -> tuple[TrialTables, Done]:
    frames = records({"apiaries": [yard()]} | rows)
    made, _ = derived(frames)
    every = frames | made
    return (
        TrialTables(**{name: every[name] for name in TrialTables.__dataclass_fields__}),
        Done(**{name: every[name] for name in Done.__dataclass_fields__}),
    )


def seen(colony: str, frames: float, on: str = "2024-09-20") -> dict[str, Any]:
    return {"colony_id": colony, "inspected_on": on, "frames_of_bees": frames}


def washed(colony: str, on: str, mites: int, **changes: Any) -> dict[str, Any]:
    row = {"colony_id": colony, "sampled_on": on, "method": "alcohol wash", "sample_no": 1}
    return row | {"bees_sampled": 300, "mites_counted": mites} | changes


def test_each_colony_takes_part_or_says_why_not() -> None:
    given, _ = tables(
        {
            "colonies": [
                hive("ok"),
                hive("counted mites"),
                hive("empty"),
                hive("unseen"),
                hive("lost"),
                hive("set up"),
                hive("foam", **FOAM),
                hive("foam cover", cover_material="cork", cover_thickness_mm=60.0),
                hive("no body", wall_material=None),
                hive("nowhere", apiary_id=None),
                hive("over"),
            ],
            "strength_inspections": [
                *(seen(c, 8) for c in ("ok", "set up", "foam", "foam cover", "no body", "nowhere")),
                seen("empty", 5),
                seen("empty", 0, "2024-10-10"),
                seen("lost", 5),
                seen("over", 5),
            ],
            "mite_counts": [
                washed("counted mites", "2024-08-20", 30),
                washed("counted mites", "2024-09-20", 6),
                washed("ok", "2024-09-20", 3, bees_sampled=None, board_days=7.0,
                       method="sticky board"),
            ],
            "winter_outcomes": [
                {"colony_id": "lost", "winter": 2023, "state": "dead", "checked_on": "2024-03-01"},
                {"colony_id": "over", "winter": 2024, "state": "alive", "checked_on": "2025-04-01"},
            ],
            "set_ups": [{"colony_id": "set up", "winter": 2024}],
        }
    )  # fmt: skip
    found = trial_colonies(given, 2024, ("none", "full"), SETTINGS)
    assert dict(found.select("colony_id", "reason").rows()) == {
        "ok": None,
        "counted mites": None,
        "empty": "no bees at its last inspection",
        "unseen": "no count of bees or mites this autumn",
        "lost": "recorded lost in an earlier winter",
        "set up": "its set-up for this winter is recorded already",
        "foam": "its bare hive counts as full already",
        "foam cover": "its bare hive counts as top already",
        "no body": "material or thickness of the hive body not recorded",
        "nowhere": "the apiary is not known",
        "over": "what became of it this winter is recorded already",
    }
    rows = {row["colony_id"]: row for row in found.to_dicts()}
    assert rows["counted mites"]["mite_rate"] == pytest.approx(6.5 / 3)
    assert rows["counted mites"]["strength_frames"] is None
    assert (rows["ok"]["mite_rate"], rows["ok"]["mite_unit"]) == (pytest.approx(0.5), "a day")
    assert (rows["ok"]["member_id"], rows["ok"]["apiary_id"]) == ("member A", "yard")


def test_an_insulated_cover_may_be_drawn_top_or_full() -> None:
    cover = hive("c", cover_material="cork", cover_thickness_mm=60.0)
    given, _ = tables({"colonies": [cover], "strength_inspections": [seen("c", 8)]})
    for levels, reason in (
        (("top", "full"), None),
        (("top", "partial"), "its bare hive counts as top already"),
    ):
        found = trial_colonies(given, 2024, levels, SETTINGS)
        assert found["reason"].to_list() == [reason]


def body(**changes: Any) -> dict[str, Any]:
    given, _ = tables({"colonies": [hive("c", **changes)]})
    return bare_hives(given, 2024, SETTINGS).row(0, named=True)


def test_the_sheet_asks_what_the_rule_of_levels_asks() -> None:
    plain = body()
    # softwood 22 mm is the reference: 0.35 m2K/W of foam of 0.036 W/(m K) is 12.6 mm; a tenth
    # to spare makes 13.9, rounded up 15; cork 0.045 makes 17.3, so 20
    full = what_to_add("full", plain, SETTINGS)
    assert full.startswith("Front, back, left, right, top, bottom: at least 15 mm of expanded")
    assert "20 mm of cork" in full
    assert what_to_add("none", plain, SETTINGS) == "Add nothing to walls, cover or floor."
    top = what_to_add("top", plain, SETTINGS)
    assert top.startswith("Top: at least 15 mm")
    assert top.endswith("Nothing elsewhere.")
    assert what_to_add("partial", plain, SETTINGS).startswith("Front, back, left, right: at least")
    thin = what_to_add("top", body(wall_thickness_mm=10.0), SETTINGS)
    assert "20 mm of expanded" in thin  # (0.35 + 0.012 / 0.13) * 36 * 1.1 = 17.5 mm
    cover = what_to_add("full", body(cover_material="cork", cover_thickness_mm=60.0), SETTINGS)
    assert "Top: insulated already." in cover
    assert "ask the coordinator" in what_to_add("top", {}, SETTINGS)


@pytest.mark.parametrize("level", ["top", "partial", "full"])
@pytest.mark.parametrize("is_floor_counted", [True, False])
def test_what_the_sheet_asks_makes_the_level(level: str, *, is_floor_counted: bool) -> None:
    """The thinnest foam that the sheet allows, put on a hive, is derived as the level drawn."""
    chosen = Settings(levels=LevelSettings(is_floor_counted=is_floor_counted))
    asked = what_to_add(level, body(), chosen)
    named = asked.split(":")[0].lower().split(", ")
    thickness = float(asked.split("at least ")[1].split(" mm")[0])
    unit = {"colony_id": "c", "winter": 2024}
    layer = {"layer_no": 1, "material": "expanded polystyrene", "thickness_mm": thickness}
    frames = records(
        {
            "apiaries": [yard()],
            "colonies": [hive("c")],
            "set_ups": [unit],
            "set_up_layers": [unit | {"surface": s} | layer for s in named],
        }
    )
    made, _ = derived(frames, chosen)
    assert made["hive_envelopes"]["level"].to_list() == [level]
    assert "floor" in level_words("full", chosen)


def drawn_rows(**levels: str) -> pl.DataFrame:
    return pl.DataFrame(
        [(c, "yard", "member A", level) for c, level in levels.items()],
        schema=["colony_id", "apiary_id", "member_id", "level"],
        orient="row",
    )


def test_every_deviation_is_told() -> None:
    def set_up(colony: str, **changes: Any) -> dict[str, Any]:
        plain = {"installed_on": "2024-10-20", "assignment": "randomised"}
        return {"colony_id": colony, "winter": 2024} | plain | changes

    names = ["kept", "chosen", "unflagged", "late", "undated", "gone", "moved", "extra", "lacks"]
    foamed = ["late", "undated"]
    _, done = tables(
        {
            "apiaries": [yard(), yard(apiary_id="other yard")],
            "colonies": [hive(n) for n in [*names, "absent"]],
            "stays": [{"colony_id": "moved", "apiary_id": "other yard", "from_on": "2024-09-25"}],
            "strength_inspections": [seen(n, 8) for n in names],
            "winter_outcomes": [
                {"colony_id": "gone", "winter": 2024, "state": "dead", "checked_on": "2024-09-28"}
            ],
            "set_ups": [
                set_up("kept"),
                set_up("chosen", assignment="chosen"),
                set_up("unflagged", assignment=None),
                set_up("late", installed_on="2025-01-10"),
                set_up("undated", installed_on=None),
                set_up("gone"),
                set_up("moved"),
                set_up("extra"),
            ],
            "set_up_layers": [
                {"colony_id": n, "winter": 2024, "surface": s, "layer_no": 1,
                 "material": "cork", "thickness_mm": 60.0}
                for n in foamed for s in ("sides", "top", "bottom")
            ],
        }
    )  # fmt: skip
    lots = dict.fromkeys([n for n in names if n != "extra"], "none") | dict.fromkeys(foamed, "full")
    drawn = drawn_rows(**lots, absent="full")
    found = compare_with_done(drawn, done, 2024, SETTINGS.winter)
    assert dict(found.select("colony_id", "deviations").rows()) == {
        "kept": None,
        "chosen": "recorded as chosen by the keeper",
        "unflagged": "how the set-up was decided is not recorded",
        "late": "complete only after the last day of autumn weighings",
        "undated": "the day it was set up is not recorded",
        "gone": "dead before the winter began",
        "moved": "stood in another apiary when the winter began",
        "lacks": "no set-up recorded",
        "absent": "no record of this winter",
        "extra": "recorded as drawn, but not in the draw",
    }
    as_drawn = dict(found.select("colony_id", "is_as_drawn").rows())
    assert [as_drawn[n] for n in ("kept", "late", "gone", "lacks", "extra")] == [
        True, True, None, None, None,
    ]  # fmt: skip
    counts = count_done(found)
    assert counts["n_units"].sum() == drawn.height
