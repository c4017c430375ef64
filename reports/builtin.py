"""Render the documents without Quarto: run their cells, then let Pandoc write the page.

The documents are Quarto documents. This path knows the part of Quarto's syntax that they
use, and refuses any other cell option by name, so that both ways give the same page.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files
from pathlib import Path
from typing import Any

import jupytext
import nbformat
import pypandoc
import yaml
from jupyter_client.kernelspec import KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import run_sync
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

from pipeline.errors import RenderError
from pipeline.progress import Task

_INCLUDE = re.compile(r"^\{\{< include ([\w.-]+) >\}\}\s*$", re.MULTILINE)
_INLINE = re.compile(r"`\{python\} ([^`]+)`")
_OPTION = re.compile(r"^#\| ([\w-]+): *(.*?) *$")
_SPECIAL = re.compile(r"([\\`*_{}\[\]()>#+\-.!])")
_ALLOWED_OPTIONS = {"output": {"asis"}, "include": {"false"}, "label": None}
_CELL_TIMEOUT_S = 300
_MEND_CELL = "Run winterpool report again; if it fails again, report this message as a fault."

_SAY_INLINE = """
import json as _json
def _say_inline(*values):
    print(_json.dumps([(isinstance(v, str), str(v)) for v in values]))
"""


def expand_includes(path: Path) -> str:
    """Read a document with the documents it includes put in their places.

    Raises
    ------
    RenderError
        An included document does not exist.
    """

    def included(match: re.Match[str]) -> str:
        part = path.parent / match[1]
        if not part.is_file():
            raise RenderError(
                f"{path.name} includes {match[1]}, which does not exist.",
                mend="Install Winterpool again.",
            )
        return expand_includes(part)

    return _INCLUDE.sub(included, path.read_text(encoding="utf-8"))


def cell_options(source: str) -> dict[str, str]:
    """Read the ``#|`` lines at the head of a cell.

    Raises
    ------
    RenderError
        The built-in path does not know an option or its value.
    """
    options: dict[str, str] = {}
    for line in source.splitlines():
        match = _OPTION.match(line)
        if match is None:
            break
        name, value = match.groups()
        allowed = _ALLOWED_OPTIONS.get(name, set())
        if allowed is not None and value not in allowed:
            raise RenderError(
                f"A cell has the option {name}: {value}, which only Quarto knows.",
                mend="Put Quarto on PATH, or take the option out of the document.",
            )
        options[name] = value
    return options


def escape_inline(text: str) -> str:
    """Escape the text of an inline expression as Quarto does, so that it is no markup."""
    return _SPECIAL.sub(r"\\\1", text)


def _with_inline_cells(notebook: Any) -> Any:
    """Put after each Markdown cell a cell that evaluates its inline expressions."""
    cells = [nbformat.v4.new_code_cell(_SAY_INLINE, metadata={"role": "setup"})]
    for cell in notebook.cells:
        cells.append(cell)
        expressions = _INLINE.findall(cell.source) if cell.cell_type == "markdown" else []
        if expressions:
            code = f"_say_inline({', '.join(f'({e})' for e in expressions)})"
            cells.append(nbformat.v4.new_code_cell(code, metadata={"role": "inline"}))
    notebook.cells = cells
    return notebook


def _kernel_manager(folder: Path) -> AsyncKernelManager:
    """Make a manager whose only kernel is the interpreter that runs this program."""
    spec = folder / "winterpool" / "kernel.json"
    spec.parent.mkdir()
    argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
    argv.append("--HistoryManager.enabled=False")
    spec.write_text(
        json.dumps({"argv": argv, "display_name": "Winterpool", "language": "python"}),
        encoding="utf-8",
    )
    specs = KernelSpecManager(kernel_dirs=[str(folder)], ensure_native_kernel=False)
    return AsyncKernelManager(kernel_name="winterpool", kernel_spec_manager=specs)


def kernel_environment() -> dict[str, str]:
    """Environment in which cells import this very copy of Winterpool."""
    root = str(Path(str(files("reports"))).parent)
    paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths), "MPLBACKEND": "agg"}


def _execute_in_thread(
    client: NotebookClient, manager: AsyncKernelManager, environment: dict[str, str]
) -> None:
    """Run a client's cells so that Ctrl-C stays ours: nbclient would take the main thread's."""
    with ThreadPoolExecutor(max_workers=1) as threads:
        running = threads.submit(
            client.execute, cleanup_kc=True, env=environment, stderr=subprocess.DEVNULL
        )
        try:
            running.result()
        except KeyboardInterrupt:
            if manager.has_kernel:
                run_sync(manager.signal_kernel)(signal.SIGTERM)
            raise


def execute(notebook: Any, folder: Path, task: Task) -> None:
    """Run a notebook's cells in ``folder``, in place.

    Raises
    ------
    RenderError
        A cell failed, took too long, or the kernel died.
    """
    code_cells = sum(cell.cell_type == "code" for cell in notebook.cells)
    task.update(total=code_cells)
    with tempfile.TemporaryDirectory(prefix="winterpool-") as scratch:
        manager = _kernel_manager(Path(scratch))
        client = NotebookClient(
            notebook,
            km=manager,
            timeout=_CELL_TIMEOUT_S,
            resources={"metadata": {"path": str(folder)}},
            on_cell_executed=lambda **_: task.advance(),
        )
        environment = {**kernel_environment(), "IPYTHONDIR": str(Path(scratch) / "ipython")}
        try:
            _execute_in_thread(client, manager, environment)
        except CellExecutionError as error:
            raise RenderError(
                f"A cell of the report failed: {error.ename}: {error.evalue}.", mend=_MEND_CELL
            ) from None
        except CellTimeoutError:
            raise RenderError(
                f"A cell of the report took longer than {_CELL_TIMEOUT_S} s.", mend=_MEND_CELL
            ) from None
        except DeadKernelError:
            raise RenderError(
                "The process that runs the report's cells ended by itself.",
                mend="Free some memory and run winterpool report again.",
            ) from None


def _printed(cell: Any) -> str:
    """Return what a cell printed; only text on stdout is expected."""
    text = []
    for output in cell.outputs:
        if output.output_type == "stream" and output.name == "stdout":
            text.append(output.text)
        elif output.output_type != "stream":
            raise RenderError(
                "A cell of the report shows an object instead of printing Markdown.",
                mend="End the cell with a call that prints.",
            )
    return "".join(text)


def to_markdown(notebook: Any) -> str:
    """Join the cells of an executed notebook to one Markdown document."""
    parts: list[str] = []
    for cell in notebook.cells:
        role = cell.metadata.get("role")
        if role == "setup":
            continue
        if role == "inline":
            values = iter(json.loads(_printed(cell)))

            def put(_: re.Match[str], values: Any = values) -> str:
                is_text, value = next(values)
                return escape_inline(value) if is_text else value

            parts[-1] = _INLINE.sub(put, parts[-1])
        elif cell.cell_type == "code":
            options = cell_options(cell.source)
            if "include" not in options and "output" in options:
                parts.append(_printed(cell))
        else:
            parts.append(cell.source)
    return "\n\n".join(parts) + "\n"


def render_builtin(source: Path, page: Path, task: Task) -> None:
    """Render ``source/index.qmd`` to one self-contained HTML page.

    Parameters
    ----------
    source : Path
        Folder with the documents, inside a study.
    page : Path
        The HTML file to write.
    task : Task
        Counts the cells that have run.

    Raises
    ------
    RenderError
        A cell failed, or Pandoc could not write the page.
    """
    notebook = _with_inline_cells(jupytext.reads(expand_includes(source / "index.qmd"), fmt="Rmd"))
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell_options(cell.source)
    execute(notebook, source, task)
    project = yaml.safe_load((source / "_quarto.yml").read_text(encoding="utf-8"))
    look = project["format"]["html"]
    arguments = [
        "--standalone",
        "--embed-resources",
        "--mathml",
        "--section-divs",
        "--wrap=none",
        f"--css={look['css']}",
        f"--metadata=lang:{project['lang']}",
        "--metadata=document-css:false",
        *(
            f"--variable=include-{place}:{part['text']}"
            for place in ("before", "after")
            for part in look.get(f"include-{place}-body", ())
        ),
        f"--resource-path={source}",
        f"--lua-filter={files('reports') / 'builtin.lua'}",
        "--fail-if-warnings",
    ]
    try:
        pypandoc.convert_text(
            to_markdown(notebook),
            "html5",
            format="markdown-implicit_figures",
            extra_args=arguments,
            outputfile=str(page),
            cworkdir=str(source),
        )
    except RuntimeError as error:
        said = str(error).partition("stack traceback")[0].strip().splitlines()[-1]
        why = re.sub(r"^.*\.lua:\d+: ", "", said).strip()
        raise RenderError(f"Pandoc could not write the report: {why}.", mend=_MEND_CELL) from None
