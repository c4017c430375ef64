"""The built-in path: Quarto's syntax as far as the documents use it, and what failures say."""

from __future__ import annotations

import os
import re
import signal
import stat
import subprocess
import sys
import time
from importlib.resources import files
from pathlib import Path

import nbformat
import polars as pl
import pypandoc
import pytest
import yaml

from pipeline.errors import RenderError, StudyError
from pipeline.progress import SILENT
from reports.builtin import (
    cell_options,
    escape_inline,
    expand_includes,
    render_builtin,
    to_markdown,
)
from reports.context import find_study
from reports.render import copy_documents, render_pdf, render_report, render_with_quarto
from reports.tables import Column, html_table
from tests.report_study import write_study

DOCUMENTS = sorted(Path(str(files("reports"))).glob("*.qmd"))

LOOK = {
    "css": "look.css",
    "include-before-body": [{"text": "<main>"}],
    "include-after-body": [{"text": "</main>"}],
}
PROJECT = yaml.safe_dump({"lang": "en", "format": {"html": LOOK}})
PAGE = '''---
title: "A page"
---

## First {#first}

Two and two are `{python} 2 + 2`, and *this* is `{python} "*text* <b>"`; see @fig-dot.

```{python}
#| include: false
print("hidden")
```

```{python}
#| output: asis
image = """![](dot.png){fig-alt="A 'dot'" width=10 height=10}"""
print("\\n\\n".join(["::: {#fig-dot}", image, "A *dot*.", ":::"]))
```

::: {.callout-warning}
## Mind
The step. $x^2$
:::

{{< include part.qmd >}}
'''
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c6360606060000000050001a5f64540"
    "0000000049454e44ae426082"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    source = tmp_path_factory.mktemp("a folder with spaces é")
    (source / "_quarto.yml").write_text(PROJECT, encoding="utf-8")
    (source / "index.qmd").write_text(PAGE, encoding="utf-8")
    (source / "part.qmd").write_text("## Second {#second}\n\n[back](#first)\n", encoding="utf-8")
    (source / "look.css").write_text("body { color: black }", encoding="utf-8")
    (source / "dot.png").write_bytes(PNG)
    return source


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    with SILENT.task("x") as task:
        render_builtin(folder, folder / "page.html", task)
    return (folder / "page.html").read_text(encoding="utf-8")


def test_inline_expressions_are_evaluated_and_strings_are_no_markup(page: str) -> None:
    assert "Two and two are 4, and <em>this</em> is *text* &lt;b&gt;; see" in page


def test_hidden_cells_print_nothing(page: str) -> None:
    assert "hidden" not in page


def test_figures_are_numbered_linked_described_and_embedded(page: str) -> None:
    assert '<a href="#fig-dot">Figure\u00a01</a>' in page
    [figure] = re.findall(r'<figure id="fig-dot".*?</figure>', page, re.DOTALL)
    assert 'src="data:image/png;base64,' in figure
    assert re.search(r'alt="A (\'|&#39;|’|‘)dot', figure)
    assert 'width="10"' in figure
    assert re.search(r"<figcaption>\s*Figure\u00a01: A <em>dot</em>.", figure)


def test_callouts_math_includes_and_style_come_through(page: str) -> None:
    assert re.search(
        r'class="callout callout-warning" role="note">\s*<p><strong>Mind</strong>', page
    )
    assert "<math" in page
    assert '<section id="second"' in page
    assert "color: black" in page
    assert "http" not in re.sub(r'"http://www.w3.org/[^"]*"', "", page)


def test_everything_on_the_page_stands_in_its_main_landmark(page: str) -> None:
    inside = page[page.index("<main>") : page.index("</main>")]
    assert inside.count("<h") == page.count("<h") - page.count("<html") - page.count("<head>")


def test_a_failing_cell_is_one_sentence(folder: Path, tmp_path: Path) -> None:
    for name in ("_quarto.yml", "look.css"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    text = "---\ntitle: x\n---\n\n```{python}\n#| output: asis\n{}['level']\n```\n"
    (tmp_path / "index.qmd").write_text(text, encoding="utf-8")
    with SILENT.task("x") as task, pytest.raises(RenderError) as caught:
        render_builtin(tmp_path, tmp_path / "page.html", task)
    assert caught.value.problem == "A cell of the report failed: KeyError: 'level'."
    assert not (tmp_path / "page.html").exists()


def test_a_reference_to_no_figure_is_refused(folder: Path, tmp_path: Path) -> None:
    for name in ("_quarto.yml", "look.css"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    (tmp_path / "index.qmd").write_text("---\ntitle: x\n---\n\nSee @fig-no.\n", encoding="utf-8")
    with SILENT.task("x") as task, pytest.raises(RenderError, match="@fig-no"):
        render_builtin(tmp_path, tmp_path / "page.html", task)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGINT for one process")
def test_ctrl_c_stops_the_cells_at_once(folder: Path, tmp_path: Path) -> None:
    for name in ("_quarto.yml", "look.css"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    cell = f"import os, pathlib, time\npathlib.Path({str(tmp_path)!r}, 'pid').write_text("
    cell += "str(os.getpid()))\ntime.sleep(90)"
    text = f"---\ntitle: x\n---\n\n```{{python}}\n#| output: asis\n{cell}\n```\n"
    (tmp_path / "index.qmd").write_text(text, encoding="utf-8")
    program = (
        "from pathlib import Path\nfrom pipeline.progress import SILENT\n"
        "from reports.builtin import render_builtin\n"
        f"source = Path({str(tmp_path)!r})\n"
        "with SILENT.task('x') as task:\n    render_builtin(source, source / 'page.html', task)\n"
    )
    running = subprocess.Popen([sys.executable, "-c", program], stderr=subprocess.PIPE, text=True)
    while not (tmp_path / "pid").exists() or not (tmp_path / "pid").read_text():
        assert running.poll() is None, running.communicate()[1]
        time.sleep(0.1)
    begun = time.monotonic()
    running.send_signal(signal.SIGINT)
    _, said = running.communicate(timeout=60)
    assert time.monotonic() - begun < 30
    assert said.rstrip().endswith("KeyboardInterrupt")
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)
    assert not (tmp_path / "page.html").exists()


def test_options_only_quarto_knows_are_refused_by_name() -> None:
    assert cell_options("#| output: asis\nprint(1)") == {"output": "asis"}
    with pytest.raises(RenderError, match="layout-ncol: 2"):
        cell_options("#| layout-ncol: 2\nprint(1)")
    with pytest.raises(RenderError, match="output: true"):
        cell_options("#| output: true")


def test_an_object_shown_instead_of_printed_is_refused() -> None:
    shown = [nbformat.v4.new_output("execute_result")]
    cell = nbformat.v4.new_code_cell("#| output: asis\n1", outputs=shown)
    with pytest.raises(RenderError, match="printing Markdown"):
        to_markdown(nbformat.v4.new_notebook(cells=[cell]))


def test_an_included_document_must_exist(tmp_path: Path) -> None:
    (tmp_path / "a.qmd").write_text("{{< include b.qmd >}}\n", encoding="utf-8")
    with pytest.raises(RenderError, match=r"a\.qmd includes b\.qmd"):
        expand_includes(tmp_path / "a.qmd")


def test_inline_text_is_escaped_as_quarto_does() -> None:
    # jupyter-inline.ts of quarto-cli escapes \ ` * _ { } [ ] ( ) > # + - . ! (range + to .)
    assert escape_inline("a*b_[c](d) #1 -2.5!") == r"a\*b\_\[c\]\(d\) \#1 \-2\.5\!"


def test_a_study_without_a_store_is_told_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(StudyError) as caught:
        render_report(tmp_path, SILENT)
    assert "winterpool run" in caught.value.mend


def test_documents_outside_a_study_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RenderError, match="does not lie in a study folder"):
        find_study(tmp_path)


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in command is a shell script")
def test_quartos_last_error_line_is_told(tmp_path: Path) -> None:
    command = tmp_path / "command"
    command.write_text('#!/bin/sh\necho "ERROR: no such format" >&2\nexit 3\n', encoding="utf-8")
    command.chmod(command.stat().st_mode | stat.S_IXUSR)
    with pytest.raises(RenderError) as caught:
        render_with_quarto(tmp_path, tmp_path / "page.html", str(command))
    assert caught.value.problem == "Quarto could not render the report: ERROR: no such format."


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in command is a shell script")
def test_a_pdf_is_asked_of_quartos_typst_format(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_study(tmp_path / "study")
    command = tmp_path / "bin" / "quarto"
    command.parent.mkdir()
    command.write_text('#!/bin/sh\necho "$@ from $PWD" > index.pdf\n', encoding="utf-8")
    command.chmod(command.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", str(command.parent), prepend=os.pathsep)
    monkeypatch.delenv("QUARTO_PATH", raising=False)
    pdf = render_pdf(study, SILENT)
    assert pdf == study.resolve() / "report" / "report.pdf"
    asked, _, place = pdf.read_text(encoding="utf-8").strip().partition(" from ")
    assert asked == "render index.qmd --to typst"
    assert Path(place).resolve() == pdf.parent / "source"
    assert {p.name for p in pdf.parent.iterdir()} == {"report.pdf", "source"}
    assert {"typst.lua", "typst-header.typ"} <= {p.name for p in Path(place).iterdir()}


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in command is a shell script")
def test_quarto_that_writes_nothing_is_told(tmp_path: Path) -> None:
    command = tmp_path / "quarto"
    command.write_text("#!/bin/sh\nexit 0\n", encoding="utf-8")
    command.chmod(command.stat().st_mode | stat.S_IXUSR)
    for form, name in (("typst", "index.pdf"), ("html", "index.html")):
        with pytest.raises(RenderError) as caught:
            render_with_quarto(tmp_path, tmp_path / "page", str(command), form)
        assert f"wrote no {name}" in caught.value.problem
    assert not (tmp_path / "page").exists()


def test_a_pdf_without_quarto_names_the_way_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_study(tmp_path / "study")
    monkeypatch.setattr("reports.render.quarto_path", lambda: None)
    with pytest.raises(RenderError) as caught:
        render_pdf(study, SILENT)
    assert "needs Quarto" in caught.value.problem
    assert "print it to PDF" in caught.value.mend
    assert not (study / "report" / "report.pdf").exists()


def test_formats_and_filters_are_quartos_documented_ones() -> None:
    # Quarto's guide, Typst format and filters: papersize, margin, fontsize, at: pre-ast
    folder = Path(str(files("reports")))
    project = yaml.safe_load((folder / "_quarto.yml").read_text(encoding="utf-8"))
    typst = project["format"]["typst"]
    assert typst["filters"] == [{"path": "typst.lua", "at": "pre-ast"}]
    assert (folder / "typst.lua").is_file() and (folder / typst["include-in-header"]).is_file()


def test_what_typst_cannot_read_becomes_pandocs_own_blocks() -> None:
    raw = (
        "```{=html}\n<style>p {}</style><details><summary>More</summary>\n```\n\n"
        "::: {.callout-warning}\n## Mind\nThe step.\n:::\n\n"
        + html_table(
            pl.DataFrame({"a": ["x"], "b": [1.5]}), {"a": "A", "b": Column("B", 1)}, label="t"
        )
        + "\n\n```{=html}\n<svg><title>no</title></svg></details>\n```\n"
    )
    written = pypandoc.convert_text(
        raw,
        "typst",
        format="markdown",
        extra_args=[f"--lua-filter={files('reports') / 'typst.lua'}"],
    )
    assert "#table(" in written and "[A], [B]" in written and "[x], [1.5]" in written
    assert "#strong[More]" in written
    assert "#quote(block: true)[\n#strong[Mind]" in written
    for lost in ("style", "svg", "details", "no]"):
        assert lost not in written, lost


def test_every_link_within_the_report_goes_to_a_heading_that_is_always_there() -> None:
    # a browser passes over a link to nowhere; Typst stops at a label that does not exist
    folder = Path(str(files("reports")))
    cells = re.compile(r"^```\{python\}\n.*?^```", re.MULTILINE | re.DOTALL)
    plain = [cells.sub("", path.read_text(encoding="utf-8")) for path in DOCUMENTS]
    headings = {a for text in plain for a in re.findall(r"^#+ .*\{#([a-z-]+)\}", text, re.M)}
    sources = [*folder.glob("*.py"), *DOCUMENTS, *(folder / "checklists").glob("*.toml")]
    link = re.compile(r"(?:\]\(#|^place = \")([a-z-]+)", re.MULTILINE)
    linked = {anchor for path in sources for anchor in link.findall(path.read_text("utf-8"))}
    assert len(linked) > 20
    assert linked <= headings, linked - headings


def test_fresh_copies_of_the_documents_are_made(tmp_path: Path) -> None:
    (tmp_path / "index.qmd").write_text("old", encoding="utf-8")
    copy_documents(tmp_path)
    assert {p.name for p in DOCUMENTS} <= {p.name for p in tmp_path.iterdir()}
    assert (tmp_path / "index.qmd").read_text(encoding="utf-8") != "old"


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda p: p.name)
def test_documents_keep_to_quartos_documented_syntax(document: Path) -> None:
    # Quarto guide: code cells, inline code, includes, callouts, cross references, divs.
    text = document.read_text(encoding="utf-8")
    assert text.count("```") % 2 == 0
    for cell in re.findall(r"^```\{python\}\n(.*?)^```", text, re.MULTILINE | re.DOTALL):
        assert cell_options(cell), "every cell says what becomes of its output"
        compile(cell, document.name, "exec")
    opened = 0
    for line in text.splitlines():
        if re.match(r"^:::+ *\{", line):
            assert re.fullmatch(r"::: \{(#(fig|tbl)-[\w-]+|\.[\w-]+)\}", line)
            opened += 1
        elif re.match(r"^:::+ *$", line):
            opened -= 1
        assert opened in (0, 1)
    assert opened == 0
    for callout in re.findall(r"\.callout-(\w+)", text):
        assert callout in {"note", "tip", "important", "warning", "caution"}
    for expression in re.findall(r"`\{(\w+)\} ", text):
        assert expression == "python"


def test_no_number_is_typed_by_hand_into_results() -> None:
    prose = re.compile(r"^```.*?^```|`\{python\}[^`]*`|\$\$.*?\$\$|\$[^$]+\$", re.M | re.S)
    for document in DOCUMENTS:
        text = prose.sub("", document.read_text(encoding="utf-8"))
        if document.name in ("08-methods.qmd", "index.qmd"):
            continue
        # what may stand: the reference board of the level's definition (a constant of the rule)
        found = re.findall(r"(?<![\w#-])\d[\d.,]*(?: ?%| kg| frames| points)", text)
        assert found == [], (document.name, found)


def test_every_section_is_included_once_and_listed() -> None:
    index = (Path(str(files("reports"))) / "index.qmd").read_text(encoding="utf-8")
    included = re.findall(r"include ([\w.-]+)", index)
    assert included == [p.name for p in DOCUMENTS if p.name != "index.qmd"]
    listed = re.findall(r"^- \[.*?\]\(#([\w-]+)\)", index, re.MULTILINE)
    headings = [
        re.search(r"^## .*\{#([\w-]+)\}", p.read_text(encoding="utf-8"), re.MULTILINE)[1]  # type: ignore[index]
        for p in DOCUMENTS
        if p.name != "index.qmd"
    ]
    assert listed == headings


def test_cells_need_neither_sampler_nor_compiler():
    cells = "\n".join(path.read_text(encoding="utf-8") for path in DOCUMENTS)
    modules = sorted(set(re.findall(r"^from (reports[\w.]*) import", cells, re.MULTILINE)))
    assert len(modules) > 10
    code = (
        f"import sys, {', '.join(modules)}\n"
        "print(sorted({'pymc', 'pytensor', 'nutpie', 'numba', 'arviz'} & set(sys.modules)))"
    )
    found = subprocess.check_output([sys.executable, "-c", code], text=True)
    assert found.strip() == "[]"
