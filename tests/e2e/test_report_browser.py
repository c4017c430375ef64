"""The rendered report in a real browser: errors, requests, figures, links, headings, widths."""

from __future__ import annotations

import base64
import json
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By

from pipeline.languages import languages
from pipeline.progress import SILENT
from reports.answer_page import write_answer
from reports.members.write import write_members
from reports.render import render_report
from tests.report_study import write_study

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
# one study a kind: each also carries another trouble, so that four renderings are enough
VARIANTS: dict[str, dict] = {
    "full": {},
    "no set-ups": {"is_invented": False},
    "not converged": {"hostile": ""},
    "no fit": {"members": 3},
}

needs_browser = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="Chromium and chromedriver are not installed"
)


# axe-core (MPL-2.0) is not shipped: `npm install --no-save axe-core`, or its folder in AXE_CORE
AXE = Path(
    os.environ.get("AXE_CORE", Path(__file__).parents[2] / "node_modules" / "axe-core"),
    "axe.min.js",
)
needs_axe = pytest.mark.skipif(
    not AXE.is_file(), reason="axe-core is not installed: npm install --no-save axe-core"
)
PAPERS = {"A4": (210 / 25.4, 297 / 25.4), "Letter": (8.5, 11)}  # ISO 216; ANSI/ASME Y14.1 [in]


@dataclass(frozen=True)
class Page:
    """A rendered page and the browser that shows it."""

    path: Path
    html: str
    browser: Any

    def show(self, width: int = 1100) -> None:
        size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 600}
        self.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        self.browser.get(self.path.as_uri())

    def ask(self, script: str, *of: Any) -> Any:
        return self.browser.execute_script(script, *of)


def pages_printed(page: Page, paper: str) -> int:
    """Print a page as a browser does and count the sheets of the PDF."""
    width, height = PAPERS[paper]
    printed = page.browser.execute_cdp_cmd(
        "Page.printToPDF",
        {"paperWidth": width, "paperHeight": height, "preferCSSPageSize": True},
    )
    return len(re.findall(rb"/Type ?/Page\b", base64.b64decode(printed["data"])))


def serious_findings(page: Page) -> list[list]:
    """Rule, impact and first element of what axe-core calls serious or critical."""
    page.ask("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.ask(AXE.read_text(encoding="utf-8"))
    found = page.browser.execute_async_script(
        "const done = arguments[0];"
        "axe.run(document).then(r => done(r), e => done({error: String(e)}))"
    )
    assert len(found["passes"]) > 10, found
    return [
        [rule["id"], rule["impact"], rule["nodes"][0]["html"][:200]]
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
    ]


@pytest.fixture(scope="session")
def studies(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One study of each kind, its report rendered by the built-in path."""
    root = tmp_path_factory.mktemp("reports")
    rendered = {}
    for kind, variant in VARIANTS.items():
        study = write_study(root / kind, kind=kind, **variant)
        rendered[kind] = render_report(study, SILENT, renderer="builtin")
    return rendered


@pytest.fixture(scope="session")
def unrendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study whose report nobody rendered, for the pages that need no cells run."""
    return write_study(tmp_path_factory.mktemp("unrendered") / "study", kind="full", members=8)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    options = Options()
    options.binary_location = str(CHROMIUM)
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    driver.set_script_timeout(120)
    yield driver
    driver.quit()


@pytest.fixture(params=VARIANTS)
def page(request: pytest.FixtureRequest, studies: dict[str, Path], browser: Any) -> Page:
    path = studies[request.param]
    shown = Page(path, path.read_text(encoding="utf-8"), browser)
    browser.get_log("browser")
    browser.get_log("performance")
    shown.show()
    return shown


@pytest.fixture
def full(studies: dict[str, Path], browser: Any) -> Page:
    path = studies["full"]
    shown = Page(path, path.read_text(encoding="utf-8"), browser)
    shown.show()
    return shown


@needs_browser
def test_no_console_message_and_no_outside_request(page: Page) -> None:
    assert page.browser.get_log("browser") == []
    urls = []
    for entry in page.browser.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            urls.append(message["params"]["request"]["url"])
    assert urls, "the performance log holds the page itself"
    assert [u for u in urls if not u.startswith(("file:", "data:"))] == []


@needs_browser
def test_every_figure_has_a_size_and_alt_text(page: Page) -> None:
    images = page.browser.find_elements(By.CSS_SELECTOR, "img, svg:not(.hover > svg)")
    assert images
    for image in images:
        assert image.size["width"] > 100
        assert image.size["height"] > 80
        assert len(image.get_attribute("alt") or "") > 40
        assert int(page.browser.execute_script("return arguments[0].naturalWidth", image)) > 500
    captions = page.browser.find_elements(By.CSS_SELECTOR, "figure > figcaption")
    assert len(captions) == len(page.browser.find_elements(By.CSS_SELECTOR, "figure"))
    assert all(len(c.get_attribute("textContent").strip()) > 15 for c in captions)


@needs_browser
def test_values_lie_over_their_figure_and_show_when_focused(page: Page) -> None:
    page.show(360)
    overlays = page.browser.find_elements(By.CSS_SELECTOR, ".hover > svg")
    for svg in overlays:
        places = page.ask(
            "const over = arguments[0].getBoundingClientRect();"
            "const image = arguments[0].closest('.hover').querySelector('img');"
            "const under = image.getBoundingClientRect();"
            "return [[over.x, over.y, over.width], [under.x, under.y, under.width]];",
            svg,
        )
        assert places[0] == pytest.approx(places[1], abs=0.5)
        mark = svg.find_element(By.CSS_SELECTOR, "g")
        words = mark.find_element(By.CSS_SELECTOR, "text")
        assert words.value_of_css_property("visibility") == "hidden"
        page.ask("arguments[0].focus()", mark)
        assert words.value_of_css_property("visibility") == "visible"
        box = page.ask("return arguments[0].getBoundingClientRect().toJSON()", words)
        assert box["left"] >= 0 and box["right"] <= 360
        assert mark.find_element(By.CSS_SELECTOR, "title").get_attribute("textContent")


@needs_browser
def test_every_link_inside_the_page_resolves(page: Page) -> None:
    broken = page.ask(
        "return [...document.querySelectorAll('a[href]')].map(a => a.getAttribute('href'))"
        ".filter(h => !h.startsWith('#') || !document.getElementById(h.slice(1)))"
    )
    assert broken == []
    twice = page.ask(
        "const ids = [...document.querySelectorAll('[id]')].map(e => e.id);"
        "return ids.filter((id, i) => ids.indexOf(id) !== i)"
    )
    assert twice == []


@needs_browser
def test_headings_are_in_order(page: Page) -> None:
    levels = page.ask(
        "return [...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => +h.tagName[1])"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert page.ask("return document.documentElement.lang") == "en"


@needs_browser
def test_no_markup_is_left_unresolved(studies: dict[str, Path], browser: Any) -> None:
    # nobody wrote anything hostile in this study, so every such sign in the text would be ours
    browser.get(studies["not converged"].as_uri())
    text = browser.execute_script("return document.body.textContent")
    for sign in ("@fig-", "@tbl-", "{python}", ":::", "?@", "{{<", "```", "**", "](", "fig-alt"):
        assert sign not in text, sign
    for word in ("None", "nan", "NaN", "null", "inf", "True", "False"):
        assert re.search(rf"(?<![\w-]){word}(?![\w-])", text) is None, word


@needs_browser
@pytest.mark.parametrize("width", [320, 390, 820])
def test_the_page_never_scrolls_sideways(full: Page, width: int) -> None:
    full.show(width)
    full.ask("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert full.ask("return document.documentElement.scrollWidth") <= width
    wide = full.ask(
        "return [...document.querySelectorAll('img')]"
        ".filter(i => i.getBoundingClientRect().width > innerWidth).length"
    )
    assert wide == 0


@needs_browser
def test_text_from_members_is_inert(full: Page) -> None:
    assert full.ask("return document.querySelectorAll('script').length") == 0
    title = full.ask("return document.querySelector('#answer p').textContent")
    assert '<script>alert("x")</script> **bold** [l](http://a.test)' in title
    assert "`{python} 1/0` @fig-no :::" in title


@needs_browser
@pytest.mark.parametrize("paper", PAPERS)
def test_the_answer_fits_one_printed_page(page: Page, paper: str) -> None:
    page.ask(
        "for (let e = document.getElementById('contents'); e; e = e.nextElementSibling)"
        "  e.style.display = 'none'"
    )
    assert pages_printed(page, paper) == 1


@needs_browser
def test_what_follows_the_answer_starts_a_page(full: Page) -> None:
    answer = full.ask("return document.getElementById('contents').previousElementSibling.id")
    assert answer == "answer"
    full.ask(
        "const e = document.getElementById('contents');"
        "while (e.nextElementSibling) e.nextElementSibling.remove()"
    )
    assert pages_printed(full, "A4") == 2


@needs_browser
@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("paper", PAPERS)
def test_the_answer_in_a_language_fits_one_printed_page(
    unrendered: Path, browser: Any, code: str, paper: str
) -> None:
    path = write_answer(unrendered, code)
    shown = Page(path, path.read_text(encoding="utf-8"), browser)
    shown.show()
    assert pages_printed(shown, paper) == 1


@needs_browser
@needs_axe
def test_an_accessibility_engine_finds_nothing_serious(page: Page) -> None:
    assert serious_findings(page) == []


@needs_browser
@needs_axe
def test_small_pages_have_nothing_serious_either(unrendered: Path, browser: Any) -> None:
    pages = [write_answer(unrendered, code) for code in languages()]
    pages += write_members(unrendered, SILENT, language="fr")[:2]
    for path in pages:
        shown = Page(path, path.read_text(encoding="utf-8"), browser)
        shown.show()
        assert serious_findings(shown) == [], path.name


def test_invented_data_are_called_so_and_real_data_are_not(studies: dict[str, Path]) -> None:
    invented = studies["full"].read_text(encoding="utf-8")
    assert "Invented data: the people, places, bees and figures in this report are made up." in (
        invented
    )
    assert "@top-center" in invented
    assert all(alt.startswith("Invented data") for alt in re.findall(r'alt="([^"]*)"', invented))
    real = studies["no set-ups"].read_text(encoding="utf-8")
    assert "Invented data: the people" not in real
    assert "@top-center" not in real
    # the calibration's figure is invented in every report, and says so
    alts = [alt for alt in re.findall(r'alt="([^"]*)"', real) if "Invented" in alt]
    assert all("cumulative ranks" in alt for alt in alts)


def test_private_text_reaches_no_page(studies: dict[str, Path]) -> None:
    for path in studies.values():
        html = re.sub(r"data:image/[^\"]*", "", path.read_text(encoding="utf-8"))
        for private in ("SECRET", "45.123", "73.987", "Anna Example", "M03", "H03-1", "A03"):
            assert private not in html, private


def test_a_pool_without_set_ups_says_so_and_shows_what_there_is(studies: dict[str, Path]) -> None:
    html = studies["no set-ups"].read_text(encoding="utf-8")
    first = html[: html.index('id="contents"')]
    assert (
        "What insulation did to stores use, survival and spring strength cannot be estimated from "
        "these records, because no set-ups were recorded." in first
    )
    assert "not recorded" in first
    assert "<img" in first
    assert "<strong>No set-ups were recorded</strong>" in html


def test_what_did_not_converge_shows_no_number(studies: dict[str, Path]) -> None:
    html = studies["not converged"].read_text(encoding="utf-8")
    assert "the sampler did not converge, so no number is given" in html
    assert "2 of 3 checks of the sampler failed" in html
    section = html[html.index('id="estimates"') : html.index('id="links"')]
    assert "not converged" in section
    assert not re.search(r"[+−]\d", section)


def test_small_groups_are_hidden(studies: dict[str, Path]) -> None:
    html = studies["no fit"].read_text(encoding="utf-8")
    first = html[html.index("<tbody>") : html.index("</tbody>")]
    cells = re.findall(r"<td[^>]*>(.*?)</td>", first)
    assert set(cells) == {"few"}
    assert "Too few members stand behind these records to draw" in html
    assert "Mean cold of each apiary" not in html  # each winter has too few members
    assert "groups of fewer than 5 members" in html


@pytest.mark.skipif(shutil.which("quarto") is None, reason="Quarto is not on PATH")
def test_quarto_gives_the_same_headings_numbers_figures_captions_and_references(
    studies: dict[str, Path],
) -> None:
    ours = studies["full"].read_text(encoding="utf-8")
    path = render_report(studies["full"].parents[1], SILENT, renderer="quarto")
    theirs = path.read_text(encoding="utf-8")

    def parts(html: str, pattern: str) -> list[str]:
        found = re.findall(pattern, html, re.DOTALL)
        texts = [" ".join(re.sub(r"<[^>]*>", "", part).split()) for part in found]
        return [text for text in texts if text]  # what wraps an image alone differs

    for pattern in (
        r"<h[1-6][^>]*>(.*?)</h[1-6]>",
        r'<img[^>]* alt="([^"]*)"',
        r"<t[dh][^>]*>(.*?)</t[dh]>",
        r"<figcaption[^>]*>(.*?)</figcaption>",
        r'<(?:div|figure) id="((?:fig|tbl)-[\w-]+)"',
        r'href="(#[^"]*)"',
        r"<p[ >](.*?)</p>",
        r"<li>(.*?)</li>",
        r"<(/?main)>",
    ):
        assert parts(theirs, pattern) == parts(ours, pattern)
    # every inline expression is evaluated: what is left stands in a member's hostile text
    assert theirs.count("{python}") == ours.count("{python}")
