"""What members and settings say reaches pages, tables and terminals as text and nothing else."""

from __future__ import annotations

import csv
import io
import shutil
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from pipeline.assignment import COLONIES_SCHEMA, DRAWN_SCHEMA, Draw, draw_levels
from pipeline.assignment_sheets import sheet_html
from pipeline.cli_output import print_check, printable
from pipeline.settings import Settings
from pipeline.trial_record import LEFT_OUT_SCHEMA, Recorded

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
HOSTILE = (
    "<script>document.title='ran'</script><img src=x onerror=\"document.title='ran'\">\u202e'\"&"
)


def sheet() -> str:
    """A member's sheet on which every text tries to run."""
    colonies = pl.DataFrame(
        [
            {
                name: f"{HOSTILE}{i}" if kind == pl.String else 1.0
                for name, kind in COLONIES_SCHEMA.items()
            }
            | {"apiary_id": HOSTILE, "member_id": HOSTILE}
            for i in range(4)
        ],
        schema=COLONIES_SCHEMA,
    )
    draw = Draw(winter=2024, seed=1, levels=("none", "full"), per_apiary=None, colonies=colonies)
    left_out = pl.DataFrame(schema=LEFT_OUT_SCHEMA)
    recorded = Recorded(draw, 1, HOSTILE, "1", HOSTILE, "", left_out, Path("x"))
    plain = Settings()
    settings = replace(plain, study=replace(plain.study, name=HOSTILE, association=HOSTILE))
    drawn = draw_levels(draw).select(list(DRAWN_SCHEMA))
    return sheet_html(recorded, HOSTILE, drawn, {}, settings)


def test_a_sheet_holds_what_was_said_as_text() -> None:
    page = sheet()
    assert "<script" not in page and "<img" not in page
    assert "&lt;script&gt;" in page and "\u202e" not in page
    assert "default-src 'none'" in page


@pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="Chromium and chromedriver are not installed")
def test_no_script_of_a_sheet_runs_in_a_browser(tmp_path: Path) -> None:
    path = tmp_path / "sheet.html"
    path.write_text(sheet(), encoding="utf-8")
    options = Options()
    options.binary_location = str(CHROMIUM)
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run"):
        options.add_argument(flag)
    browser = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        browser.get(path.as_uri())
        assert browser.title == "Set-ups drawn for winter 2024/25"
        ask = browser.execute_script
        assert ask("return document.querySelectorAll('script, img, iframe, a[href]').length") == 0
        assert "<script>" in ask("return document.body.innerText")
    finally:
        browser.quit()


def test_a_check_prints_cells_that_open_safely(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "w.csv"
    path.write_text(
        "colony_id,weighed_on,gross_kg,method\n"
        '"=HYPERLINK(""http://a.test"")",2024-10-05,31,scale\n'
        "C1,2024-10-05,@SUM(1),scale\nC1,2024-10-06,31,+cmd\n"
    )
    assert print_check([path], None) == 1
    rows = list(csv.reader(io.StringIO(capsys.readouterr().out)))
    values = {row[4] for row in rows[1:]}
    assert {'\'=HYPERLINK("http://a.test")', "'@SUM(1)", "'+cmd"} <= values
    assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "@"))]


def test_a_terminal_is_told_no_command() -> None:
    assert printable("a\x1b[2Jb\nc\u202ed\x07") == "a [2Jb c d "
