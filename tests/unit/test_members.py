"""Members' pages: nothing of another member, small cells hidden, no text of a member alive."""

from __future__ import annotations

import base64
import json
import re
import shutil
from dataclasses import replace
from datetime import date
from html import unescape
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from models.estimands import THIRDS
from pipeline.cli import app
from pipeline.errors import StudyError
from pipeline.languages import words
from pipeline.progress import SILENT
from pipeline.receipt_page import write_receipts
from pipeline.settings import read_settings
from pipeline.store import Store
from pipeline.study import Study
from reports.context import load_pool
from reports.members.compare import (
    Band,
    Records,
    compare,
    compare_loggers,
    compare_shares,
    load_records,
)
from reports.members.model import cold_of, model_section, third_of
from reports.members.sections import TOPICS, logger_sections, topic_section, value_words
from reports.members.write import member_page, write_members
from tests.report_study import HOSTILE, write_study

MEMBERS = 6  # five others: just enough for a band
CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
_COLUMNS = {"member_id": "QZM", "apiary_id": "QZA", "colony_id": "QZH"}
_TABLES = ("colony_winters", "winter_survival", "sensor_days", "mite_samples")


def plant_marks(study: Path) -> None:
    """Give every member's names a mark of their own, and one weight nobody else has."""
    with Store.open(study / "store.duckdb") as store:
        tables = [*_TABLES, "apiaries_rows", "colonies_rows"]
        for table in tables:
            held = store.connection.sql(f'FROM "{table}" LIMIT 0').columns
            for column in _COLUMNS.keys() & set(held):
                mark = _COLUMNS[column]
                sql = f"UPDATE \"{table}\" SET {column} = '{mark}' || substr({column}, 2)"
                store.connection.execute(sql)
        store.connection.execute(
            "UPDATE colony_winters SET stores_use_kg = 70.13 + 1.1 * right(member_id, 2)::INTEGER "
            "WHERE winter = 2024 AND colony_id LIKE '%-5' AND exclusion_reason IS NULL"
        )
        # A name that no contract would let in: the page must not trust that.
        store.connection.execute(
            "UPDATE colony_winters SET apiary_id = ? WHERE member_id = 'QZM00'", [HOSTILE]
        )


def readable(page: str) -> str:
    """All that a page tells, what its pictures hold included."""
    pictures = re.findall(r"data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)", page)
    assert pictures
    text = re.sub(r"base64,[A-Za-z0-9+/=]+", "", page)
    return unescape(text + "".join(base64.b64decode(p).decode() for p in pictures))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = write_study(tmp_path_factory.mktemp("members") / "study", members=MEMBERS)
    plant_marks(made)
    return made


@pytest.fixture(scope="module")
def written(study: Path) -> dict[str, Path]:
    return {path.stem: path for path in write_members(study, SILENT)}


@pytest.fixture(scope="module")
def records(study: Path) -> Records:
    return load_records(load_pool(study))


def test_every_member_gets_a_page(written: dict[str, Path]) -> None:
    assert sorted(written) == [f"QZM{m:02d}" for m in range(MEMBERS)]


def test_no_page_tells_anything_of_another_member(
    written: dict[str, Path], records: Records
) -> None:
    marks = {f"QZM{m:02d}": [f"QZM{m:02d}", f"QZA{m:02d}", f"QZH{m:02d}-"] for m in range(MEMBERS)}
    assert records.units["stores_use_kg"].max() == pytest.approx(70.13 + 1.1 * (MEMBERS - 1))
    weights = {f"QZM{m:02d}": f"{70.13 + 1.1 * m:.1f}" for m in range(MEMBERS)}
    seen: set[tuple[str, str]] = set()
    for member, path in written.items():
        page = path.read_text(encoding="utf-8")
        # without the pictures, whose coordinates are numbers too
        told = re.sub(r"base64,[A-Za-z0-9+/=]+", "", page)
        seen |= {(member, other) for other, weight in weights.items() if weight in told}
        text = readable(page)
        assert marks[member][0] in text and marks[member][2] in text
        for other in marks.keys() - {member}:
            found = [mark for mark in marks[other] if mark in text]
            assert found == [], (member, other)
        assert "SECRET" not in text  # members' notes
        assert not re.search(r"45[.,]12|73[.,]98", told)  # where apiaries lie
    assert len(seen) >= MEMBERS - 1  # one may be of a colony-winter that is left out
    assert all(member == other for member, other in seen)


def test_bands_are_shown_from_five_others_on(written: dict[str, Path], records: Records) -> None:
    text = unescape(written["QZM01"].read_text(encoding="utf-8"))
    w = words()
    assert w("member.how_to_read") in text
    rows = compare(records.units.select("member_id", "winter", value="autumn_gross_kg"), "QZM01", 5)
    assert rows == []  # nobody weighed: nothing is made up
    [first, _] = compare(
        records.units.select("member_id", "winter", value="cold_kd_per_day"), "QZM01", 5
    )
    others = records.units.filter((pl.col("member_id") != "QZM01") & (pl.col("winter") == 2023))
    expected = np.percentile(others["cold_kd_per_day"].to_numpy(), [25, 50, 75])
    assert first.others is not None
    np.testing.assert_allclose([first.others.low, first.others.median, first.others.high], expected)


def frame(**values: list[float]) -> pl.DataFrame:
    """Values by member, all of one winter."""
    rows = [(m, 2023, v) for m, own in values.items() for v in own]
    return pl.DataFrame(rows, schema=["member_id", "winter", "value"], orient="row")


def test_a_band_needs_the_minimum_of_other_members_not_of_colonies() -> None:
    four = frame(a=[1.0], b=[2.0, 2.0, 2.0], c=[3.0], d=[4.0], e=[5.0])
    [row] = compare(four, "a", 5)
    assert (row.own, row.others) == ((1.0,), None)
    [row] = compare(pl.concat([four, frame(f=[6.0])]), "a", 5)
    # by hand: 2 2 2 3 4 5 6
    assert row.others == Band(2.0, 3.0, 4.5)
    empty = pl.DataFrame({"member_id": ["f"], "winter": [2023], "value": [None]})
    [row] = compare(pl.concat([four, empty.cast(four.schema)]), "a", 5)
    assert row.others is None  # a member without a value stands behind nothing


def test_shares_need_the_minimum_too() -> None:
    def units(others: int) -> pl.DataFrame:
        rows = [("a", 2023, True), ("a", 2023, False), ("a", 2023, None)]
        rows += [(f"o{k}", 2023, k != 0) for k in range(others)]
        return pl.DataFrame(rows, schema=["member_id", "winter", "is_alive"], orient="row")

    [row] = compare_shares(units(4), "a", 5)
    assert (row.k, row.n, row.others) == (1, 2, None)
    [row] = compare_shares(units(5), "a", 5)
    assert row.others == pytest.approx(4 / 5)


def test_a_week_of_loggers_needs_the_minimum_of_other_members(records: Records) -> None:
    def reading(member: str, day: int, value: float, position: str = "under cover") -> dict:
        return {
            "member_id": member,
            "colony_id": f"{member}-1",
            "winter": 2024,
            "position": position,
            "observed_on": date(2025, 1, day),
            "temperature_mean_c": value,
        }

    rows = [reading("a", 7, 5.0), reading("a", 14, 6.0)]
    rows += [reading(f"o{k}", 7, float(k)) for k in range(1, 6)]  # Tuesday 7 January
    rows += [reading(f"o{k}", 14, float(k)) for k in range(1, 5)]  # the week after: four only
    rows += [reading("o5", 14, 9.0, "brood nest")]  # a place that the member does not log
    told = replace(records, sensor_days=pl.DataFrame(rows))
    lines = compare_loggers(told, "a", "temperature_mean_c", 5)
    assert lines is not None and lines.winter == 2024
    assert list(lines.own) == ["under cover"]
    assert lines.own["under cover"]["a-1"]["value"].to_list() == [5.0, 6.0]
    # the middle of the week from Monday 6 January; quartiles of 1 2 3 4 5 by hand
    assert lines.others["under cover"].rows() == [(date(2025, 1, 9), 2.0, 4.0)]
    assert compare_loggers(told, "b", "temperature_mean_c", 5) is None


def test_too_few_others_are_said_and_not_drawn(records: Records) -> None:
    w = words()
    few = replace(records, units=records.units.filter(pl.col("member_id") != "QZM05"))
    parts = topic_section(few, "QZM01", TOPICS[0], w, "")
    text = " ".join(parts)
    assert "fewer than 5 other members" in text
    assert w("member.how_to_read_few") in text and w("member.how_to_read") not in text
    assert "not shown" in text and "median" not in text
    loggers = " ".join(logger_sections(few, "QZM00", w, ""))  # two members have loggers
    assert "fewer than 5 other members" in loggers
    assert w("topic.logger_lines") in loggers


def test_estimates_of_too_few_members_are_hidden(records: Records) -> None:
    w, pool = words(), records.pool
    shown = " ".join(model_section(records, "QZM01", w, ""))
    assert "Stores saved" in shown and "+3.0" in shown  # three steps of 1 kg: see report_results
    scarce = pool.estimands.with_columns(n_members=pl.lit(5, pl.Int64))
    hidden = replace(records, pool=replace(pool, estimands=scarce))
    text = " ".join(model_section(hidden, "QZM01", w, ""))
    assert "Stores saved" not in text and w("model.cannot") in unescape(text)


@pytest.mark.parametrize(
    ("kind", "key"),
    [("not converged", "not_converged"), ("no set-ups", "cannot"), ("no fit", "none")],
)
def test_a_page_without_an_estimate_says_why(tmp_path: Path, kind: str, key: str) -> None:
    made = load_records(load_pool(write_study(tmp_path / "s", kind=kind, members=MEMBERS)))
    [_, said] = model_section(made, "M01", words(), "")
    assert unescape(said) == f"<p>{words()(f'model.{key}')}</p>"


def test_the_third_of_a_place_is_the_models_own_cut(records: Records) -> None:
    cold = records.pool.units["cold_kd_per_day"].drop_nulls().to_numpy()
    for value, third in zip(np.quantile(cold, [0.05, 0.5, 0.95]), THIRDS, strict=True):
        assert third_of(records.pool, float(value)) == third
    assert third_of(records.pool, None) is None


def test_the_curve_along_the_cold_is_read_at_the_members_place(records: Records) -> None:
    w, cold = words(), cold_of(records, "QZM01")
    assert cold is not None

    def said(low: float, high: float) -> str:
        rows = [
            ("cold", "stores use", "full vs none", at, "kg", at - 8, at - 9, at - 7)
            for at in (low, high)
        ]
        curve = pl.DataFrame(rows, schema=records.pool.conditions.schema, orient="row")
        told = replace(records, pool=replace(records.pool, conditions=curve))
        return unescape(" ".join(model_section(told, "QZM01", w, "")))

    mean = w.quantity(cold - 8, "kg", 1, signed=True)  # the curve is a straight line
    assert f"the model's curve reads: stores saved {mean} (" in said(cold - 2, cold + 3)
    assert "the model's curve reads" not in said(cold + 1, cold + 3)  # nothing beyond its ends


def test_a_page_in_french_says_everything_in_french(records: Records) -> None:
    page = unescape(member_page(records, "QZM03", words("fr")))
    text = re.sub(r'src="[^"]*"', "", page)
    assert '<html lang="fr">' in text
    fr, en = words("fr"), words("en")
    for key in ("member.title", "topic.stores", "caution.mites", "model.title", "member.records"):
        assert fr(key) in text
        assert en(key) not in text
    assert re.search(r">\d+,\d<", text) and not re.search(r">\d+\.\d<", text)


def test_hours_at_risk_are_told_of_the_hours_measured(records: Records) -> None:
    own = records.units.filter(
        (pl.col("member_id") == "QZM00") & pl.col("condensation_risk_h").is_not_null()
    )
    assert own.height
    assert set(own["condensation_measured_h"]) == {3600}
    english, french = (
        unescape(member_page(records, "QZM00", words(code))) for code in ("en", "fr")
    )
    for row in own.to_dicts():
        hours = f"{row['condensation_risk_h']:.0f}"
        named = f"{row['colony_id']}, winter {words().winter(row['winter'])}"
        assert f"{named}: {hours} of 3\u202f600" in english
        assert f'<td class="number">{hours} of 3\u202f600</td>' in english
        assert f"{hours} sur 3\u202f600" in french
    unknown = records.units.with_columns(condensation_measured_h=pl.lit(None, pl.Int64))
    [topic] = [t for t in TOPICS if t.key == "moisture"]
    row = unknown.filter(pl.col("condensation_risk_h").is_not_null()).row(0, named=True)
    assert " of " not in str(value_words(row, topic, words()))


def test_cautions_stand_where_work_can_hurt(written: dict[str, Path]) -> None:
    text = unescape(written["QZM02"].read_text(encoding="utf-8"))
    for key in ("mites", "lifting", "cold_opening", "disease", "entrance"):
        assert words()(f"caution.{key}") in text
    assert text.index(words()("topic.mites")) < text.index(words()("caution.mites"))
    assert "Invented data" in text


def test_every_figure_has_alt_text_and_a_size(written: dict[str, Path]) -> None:
    page = written["QZM00"].read_text(encoding="utf-8")
    images = re.findall(r"<img [^>]*>", page)
    assert len(images) >= 7
    for image in images:
        alt = re.search(r'alt="([^"]+)"', image)
        assert alt and len(alt[1]) > 40
        assert re.search(r'width="\d+" height="\d+"', image)


@pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="Chromium and chromedriver are not installed")
def test_a_page_and_a_receipt_stay_inert_in_a_browser(
    written: dict[str, Path], study: Path
) -> None:
    receipts = write_receipts(Study(study), read_settings(study / "study.toml"))
    options = Options()
    options.binary_location = str(CHROMIUM)
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        for path in (written["QZM00"], receipts[0]):
            for width in (390, 1100):
                size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": False}
                browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
                browser.get(path.as_uri())
                ask = browser.execute_script
                assert ask("return document.scripts.length") == 0
                assert ask("return document.documentElement.scrollWidth") <= width
                assert ask("return [...document.images].every(i => i.naturalWidth > 0)")
                assert ask("return document.querySelectorAll('a[href], iframe, form').length") == 0
            assert '<script>alert("x")</script>' in ask("return document.body.innerText")
        assert browser.get_log("browser") == []
        urls = [
            message["params"]["request"]["url"]
            for entry in browser.get_log("performance")
            for message in [json.loads(entry["message"])["message"]]
            if message["method"] == "Network.requestWillBeSent"
        ]
        assert urls and [u for u in urls if not u.startswith(("file:", "data:"))] == []
    finally:
        browser.quit()


def test_an_unknown_language_and_an_empty_study_are_told(study: Path, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="no language 'xx'"):
        write_members(study, SILENT, language="xx")
    (tmp_path / "study.toml").write_text("", encoding="utf-8")
    with pytest.raises(StudyError, match="Nothing has been loaded"):
        write_members(tmp_path, SILENT)


def test_both_commands_are_on_the_command_line() -> None:
    names = {command.callback.__name__ for command in app.registered_commands if command.callback}
    assert {"members", "receipts"} <= names
