"""Drawing a study's winter: recorded first, refused twice, finished after a crash, compared."""

from __future__ import annotations

import errno
import json
import shutil
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline import assign_step, trial_record
from pipeline.assign_step import assign_study, compare_study, parse_levels
from pipeline.assignment import Draw, draw_levels
from pipeline.cli import app
from pipeline.errors import StudyError, WinterpoolError
from pipeline.progress import SILENT
from pipeline.runner import do_step
from pipeline.study import Study
from pipeline.trial_record import (
    LEFT_OUT_SCHEMA,
    Recorded,
    colonies_digest,
    drawn_units,
    read_drawn,
    read_records,
    write_record,
)
from tests.inbox import ingest, put
from tests.trial_study import MEMBERS, NAMES, WINTER, autumn_study

PAIR = ("none", "full")


@pytest.fixture(scope="module")
def ingested(tmp_path_factory: pytest.TempPathFactory) -> Path:
    study = autumn_study(tmp_path_factory.mktemp("trial") / "study")
    ingest(study)
    do_step("prepare", study.path, SILENT)
    return study.path


@pytest.fixture
def study(ingested: Path, tmp_path: Path) -> Iterator[Study]:
    shutil.copytree(ingested, tmp_path / "study")
    yield Study(tmp_path / "study")


def draw(study: Study, **changes: object) -> assign_step.Drawn:
    asked = {"winter": WINTER, "levels": PAIR, "per_apiary": None, "seed": 7, "again": ""}
    return assign_study(study.path, progress=SILENT, **(asked | changes))  # type: ignore[arg-type]


def test_the_record_holds_all_that_the_draw_depends_on(study: Study) -> None:
    drawn = draw(study, per_apiary=4)
    told = json.loads((study.path / "trial/2024/draw-1.json").read_text(encoding="utf-8"))
    assert (told["seed"], told["levels"], told["per_apiary"]) == (7, list(PAIR), 4)
    assert told["recorded_at"].endswith("+00:00")
    assert told["version"]
    assert [c["colony_id"] for c in told["colonies"]] == sorted(NAMES)
    [recorded] = read_records(study, WINTER)
    assert told["colonies_sha256"] == colonies_digest(recorded.draw.colonies)
    assert read_drawn(recorded).equals(drawn.table)
    assert drawn_units(study).equals(drawn.table)
    kept = pl.read_csv(study.path / "trial/2024/assignments-1.csv")
    assert kept["seed"].unique().to_list() == [7]
    left_out = pl.read_csv(study.path / "trial/2024/left_out-1.csv")
    assert set(left_out["reason"]) == {assign_step.NOT_PICKED}
    assert len(left_out) + len(kept) == len(NAMES)


def test_a_crash_after_the_record_leaves_it_and_the_next_command_finishes_that_draw(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(assign_step, "draw_levels", broken)
        with pytest.raises(KeyboardInterrupt):
            draw(study, seed=99)
    [recorded] = read_records(study, WINTER)
    assert not recorded.is_drawn
    with pytest.raises(StudyError, match="its table was not written"):
        read_drawn(recorded)
    finished = draw(study, seed=1, levels=("top", "full"))
    assert finished.was_finished
    assert finished.recorded.draw.seed == 99
    assert set(finished.table["level"]) == set(PAIR)
    assert finished.table.equals(draw_levels(recorded.draw))
    assert len(read_records(study, WINTER)) == 1


def test_a_second_draw_needs_a_reason_and_keeps_the_first(study: Study) -> None:
    first = draw(study)
    with pytest.raises(StudyError, match="has been drawn already") as refused:
        draw(study, seed=8)
    assert "--again" in refused.value.mend
    second = draw(study, seed=8, again="two hives were moved")
    assert second.recorded.number == 2
    assert [r.reason for r in read_records(study, WINTER)] == ["", "two hives were moved"]
    assert read_drawn(read_records(study, WINTER)[0]).equals(first.table)
    draws = pl.read_csv(study.results_path / "trial_draws.csv")
    assert draws["is_last"].to_list() == [False, True]
    assert drawn_units(study).equals(second.table)


def test_no_record_takes_the_place_of_another_though_an_earlier_one_is_gone(study: Study) -> None:
    first = draw(study)
    draw(study, seed=8, again="two hives were moved")
    first.recorded.path.unlink()
    assert draw(study, seed=9, again="a third time").recorded.number == 3
    assert [r.draw.seed for r in read_records(study, WINTER)] == [8, 9]


def at_once(*calls: Callable[[], object]) -> list[object]:
    """What each call returns or raises, all of them begun together."""
    start = threading.Barrier(len(calls))

    def one(call: Callable[[], object]) -> object:
        start.wait()
        try:
            return call()
        except WinterpoolError as error:
            return error

    with ThreadPoolExecutor(len(calls)) as threads:
        return list(threads.map(one, calls))


@pytest.mark.parametrize("has_links", [True, False])
def test_of_two_records_at_the_same_moment_one_stands_and_the_other_is_refused(
    study: Study, monkeypatch: pytest.MonkeyPatch, has_links: bool
) -> None:
    colonies = draw(study).recorded.draw.colonies
    shutil.rmtree(study.path / "trial")
    seen = threading.Barrier(2)

    def both_see_none(*_: object) -> list[Recorded]:
        seen.wait()  # neither goes on before both have looked
        return []

    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "no links on this disk")

    monkeypatch.setattr(trial_record, "read_records", both_see_none)
    if not has_links:
        monkeypatch.setattr(trial_record.os, "link", no_links)
    left_out = pl.DataFrame(schema=LEFT_OUT_SCHEMA)

    def record(seed: int) -> Recorded:
        return write_record(study, Draw(WINTER, seed, PAIR, None, colonies), "", left_out)

    came = at_once(lambda: record(1), lambda: record(2))
    [winner] = [one for one in came if isinstance(one, Recorded)]
    [refused] = [one for one in came if isinstance(one, StudyError)]
    assert "at the same moment" in refused.problem
    [kept] = read_records(study, WINTER)
    assert kept.draw.seed == winner.draw.seed
    assert [path.name for path in kept.folder.iterdir()] == ["draw-1.json"]


def test_of_two_commands_at_the_same_moment_one_draws(study: Study) -> None:
    came = at_once(lambda: draw(study, seed=1), lambda: draw(study, seed=2))
    [drawn] = [one for one in came if isinstance(one, assign_step.Drawn)]
    [refused] = [one for one in came if isinstance(one, WinterpoolError)]
    assert "in use by" in refused.problem or "has been drawn already" in refused.problem
    [kept] = read_records(study, WINTER)
    assert read_drawn(kept).equals(drawn.table)
    assert not study.step_lock_path.exists()


def test_again_without_a_first_draw_is_refused(study: Study) -> None:
    with pytest.raises(StudyError, match="nothing to draw again"):
        draw(study, again="no reason")


def test_without_a_seed_one_is_taken_and_recorded(study: Study) -> None:
    seeds = {draw(study, seed=None).recorded.draw.seed}
    seeds.add(draw(study, seed=None, again="test").recorded.draw.seed)
    assert len(seeds) == 2
    assert all(0 <= seed < 2**53 for seed in seeds)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"winter": 24}, "24 is not a winter"),
        ({"winter": 2030}, "No colony can take part in winter 2030: 14 no count of bees or mites"),
        ({"per_apiary": 1}, "1 colonies an apiary are fewer than the 2 levels"),
        ({"seed": -1}, "The seed -1 is negative"),
    ],
)
def test_what_cannot_be_drawn_is_told(study: Study, changes: dict, said: str) -> None:
    with pytest.raises(StudyError, match=said):
        draw(study, **changes)
    assert not (study.path / "trial").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("none", "two levels at least"),
        ("none,foam", "'foam' is not an insulation level"),
        ("full,full", "stands twice"),
        ("", "two levels at least"),
    ],
)
def test_levels_that_cannot_be_drawn_are_told(text: str, said: str) -> None:
    with pytest.raises(StudyError, match=said):
        parse_levels(text)


def test_a_changed_table_or_list_of_colonies_is_found_out(study: Study) -> None:
    drawn = draw(study)
    table = drawn.recorded.table_path
    text = table.read_text(encoding="utf-8")
    table.write_text(text.replace(",none,", ",full,", 1), encoding="utf-8")
    with pytest.raises(StudyError, match="it was changed"):
        compare_study(study.path, WINTER, SILENT)
    table.write_text("what\n", encoding="utf-8")
    with pytest.raises(StudyError, match="it was changed"):
        read_drawn(drawn.recorded)
    table.write_text(text, encoding="utf-8")
    record = drawn.recorded.path
    good = record.read_text(encoding="utf-8")
    for bad, said in (
        (good.replace("Hill/1", "Hill/9"), "does not have the digest"),
        (good.replace('"seed"', '"sad"'), "seed is missing"),
        ("{", "JSONDecodeError"),
        ("[]", "TypeError"),
    ):
        record.write_text(bad, encoding="utf-8")
        with pytest.raises(StudyError, match=said):
            read_records(study, WINTER)


def test_a_record_is_never_overwritten(study: Study) -> None:
    recorded = draw(study).recorded
    before = recorded.path.read_bytes()
    with pytest.raises(StudyError):
        write_record(study, recorded.draw, "", recorded.left_out)
    assert recorded.path.read_bytes() == before


def test_sheets_name_nobody_else_and_carry_cautions(study: Study) -> None:
    drawn = draw(study)
    assert len(drawn.sheets) == 3
    for folder in drawn.sheets:
        page = (folder / "sheet.html").read_text(encoding="utf-8")
        form = pl.read_csv(folder / "set_ups.csv", infer_schema=False)
        [own] = [m for m in set(MEMBERS.values()) if m in page]
        others = [n for n in NAMES if MEMBERS[n.split("/")[0]] != own]
        assert not any(name in page for name in others)
        assert not any(name in form["colony_id"].to_list() for name in others)
        assert set(form["assignment"]) == {"randomised"}
        for word in ("Lifting", "flame", "entrance", "label", "veterinarian", "inspector"):
            assert word in page
        assert "Invented data" in page


def answer(drawn: assign_step.Drawn, done: dict[str, str], flag: str = "randomised") -> dict:
    """Members' returns: the drawn levels but for some, full as 50 mm of foam all round."""
    rows, layers = [], []
    for row in drawn.table.to_dicts():
        name = row["colony_id"]
        level = done.get(name, row["level"])
        if level == "missing":
            continue
        rows.append(f"{name},{WINTER},2024-10-20,{flag}\n")
        surfaces = {"full": ("sides", "top", "bottom"), "top": ("top",)}.get(level, ())
        layers += [f"{name},{WINTER},{s},expanded polystyrene,50\n" for s in surfaces]
    return {
        "returned": "colony_id,winter,installed_on,assignment\n" + "".join(rows),
        "layers": "colony_id,winter,surface,material,thickness_mm\n" + "".join(layers),
    }


def test_what_was_done_is_compared_with_what_was_drawn(study: Study) -> None:
    drawn = draw(study)
    level = dict(drawn.table.select("colony_id", "level").rows())
    to_full = next(n for n in NAMES if level[n] == "none")
    to_top = next(n for n in NAMES if level[n] == "full")
    put(study, **answer(drawn, {to_full: "full", to_top: "top", "Lone/1": "missing"}))
    ingest(study)
    compared = compare_study(study.path, WINTER, SILENT)
    odd = dict(compared.drop_nulls("deviations").select("colony_id", "deviations").rows())
    assert odd == {
        to_full: "drawn none, done full",
        to_top: "drawn full, done top",
        "Lone/1": "no set-up recorded",
    }
    assert compared["is_as_drawn"].sum() == len(NAMES) - 3
    counts = pl.read_csv(study.results_path / "trial.csv")
    assert counts["n_units"].sum() == len(NAMES)
    assert set(counts.columns) == {"winter", "drawn", "done", "n_units", "n_members"}


def test_a_draw_after_set_ups_leaves_those_colonies_out(study: Study) -> None:
    put(study, returned=f"colony_id,winter\nHill/1,{WINTER}\n")
    ingest(study)
    drawn = draw(study)
    out = dict(drawn.left_out.select("colony_id", "reason").rows())
    assert out == {"Hill/1": "its set-up for this winter is recorded already"}


def test_comparing_needs_a_draw(study: Study) -> None:
    with pytest.raises(StudyError, match="has not been drawn"):
        compare_study(study.path, WINTER, SILENT)


def test_the_command_prints_what_it_did(study: Study) -> None:
    run = CliRunner().invoke
    asked = ["assign", str(study.path), "--winter", str(WINTER), "--quiet"]
    done = run(app, [*asked, "--levels", "none,full", "--per-apiary", "4", "--seed", "7"])
    assert done.exit_code == 0, done.output
    assert "draw 1, seed 7: 11 colonies in 6 blocks, 4 apiaries, 3 members" in done.output
    assert "not among those picked by lot in its apiary" in done.output
    compared = run(app, [*asked, "--compare"])
    assert compared.exit_code == 0, compared.output
    assert "11 deviations" in compared.output
    assert "no set-up recorded" in compared.output
