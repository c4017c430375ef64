"""A trial from the autumn's counts to what was done, through the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import polars as pl

from tests.e2e.conftest import run_winterpool
from tests.inbox import put
from tests.trial_study import NAMES, WINTER, autumn_study


def test_a_trial_is_drawn_returned_and_compared(tmp_path: Path) -> None:
    study = autumn_study(tmp_path / "a study with spaces")

    def winterpool(*arguments: object) -> str:
        done = run_winterpool(arguments[0], study.path, *arguments[1:], "--quiet")
        assert done.returncode == 0, done.stderr + done.stdout
        assert not done.stderr
        return done.stdout

    winterpool("ingest")
    drawn = winterpool("assign", "--winter", WINTER, "--levels", "none,full", "--seed", 21)
    assert "14 colonies" in drawn
    again = run_winterpool("assign", study.path, "--winter", WINTER, "--quiet")
    assert again.returncode == 3
    assert "has been drawn already" in again.stderr

    folder = study.path / "trial" / str(WINTER)
    record = json.loads((folder / "draw-1.json").read_text(encoding="utf-8"))
    assert record["seed"] == 21
    levels = dict(
        pl.read_csv(folder / "assignments-1.csv").select("colony_id", "level").iter_rows()
    )
    assert sorted(levels) == sorted(NAMES)
    # members fill their forms, as they are, and tell the layers of the insulated
    for number, form in enumerate(sorted(folder.glob("for-members-1/*/set_ups.csv"))):
        with form.open(encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        text = ",".join(rows[0]) + "\n"
        for row in rows:
            text += ",".join({**row, "installed_on": "2024-10-25"}.values()) + "\n"
        put(study, **{f"form-{number}": text})
    layers = [
        f"{name},{WINTER},{surface},cork,60\n"
        for name, level in levels.items()
        if level == "full"
        for surface in ("sides", "top", "bottom")
    ]
    put(study, layers="colony_id,winter,surface,material,thickness_mm\n" + "".join(layers))
    winterpool("ingest")
    compared = winterpool("assign", "--winter", WINTER, "--compare")
    assert "Every colony wintered as drawn." in compared
    kept = pl.read_csv(folder / "compared.csv")
    assert kept["is_as_drawn"].all()
    assert dict(kept.select("colony_id", "done").iter_rows()) == levels
