"""What the report says of next winter: how precise a trial can be, and what became of draws."""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from models.trial.precision import GENERAL, OWN, PRECISION_SCHEMA, SMALLEST_SCHEMA
from models.vocabulary import OUTCOMES
from pipeline.assign_step import DRAWS_FILE, TRIAL_FILE
from pipeline.precision_step import RUN, SMALLEST, TABLE, fit_digest
from reports.blocks import few_note, folded, say, show_figure, show_table
from reports.context import Pool
from reports.figures_trial import LIKELY, precision_alt, precision_figure
from reports.tables import FEW, Column, small_cells
from reports.wording import (
    NO_BREAK,
    chance,
    count,
    decimals_of,
    listed,
    markdown_text,
    number,
    unit_words,
    winter_name,
)

_SIZE = ("winters", "apiaries", "colonies", "colony_winters")
_TARGET_WORDS = {OWN: "its own apiaries and winters", GENERAL: "apiaries and winters like these"}


def load_precision(pool: Pool) -> tuple[pl.DataFrame, pl.DataFrame, dict[str, Any]]:
    """Read what ``winterpool precision`` left; empty where it was not asked."""
    results = pool.study.results_path
    if not (results / TABLE).exists():
        return pl.DataFrame(schema=PRECISION_SCHEMA), pl.DataFrame(schema=SMALLEST_SCHEMA), {}
    run = json.loads((results / RUN).read_text(encoding="utf-8"))
    return (
        pl.read_csv(results / TABLE, schema_overrides=PRECISION_SCHEMA),
        pl.read_csv(results / SMALLEST, schema_overrides=SMALLEST_SCHEMA),
        run,
    )


def source_sentence(run: dict[str, Any]) -> str:
    """Say what the figures rest on: the fit, or the priors and why."""
    if run["why_priors"]:
        return (
            f"These figures rest on the model's [assumptions before any record](#priors), because "
            f"{markdown_text(run['why_priors'])}."
        )
    guessed = [name for name, source in run["sources"].items() if source == "priors"]
    rest = f" Those for {listed(guessed)} rest on assumptions alone." if guessed else ""
    return f"These figures rest on what the model found in this pool.{rest}"


def precision_lines(rows: pl.DataFrame) -> pl.DataFrame:
    """Table the trials, a size a line: width and chance to be decisive, by outcome."""
    lines = []
    for key in rows.select(_SIZE).unique().sort(_SIZE).rows():
        here = rows.filter(*(pl.col(k) == v for k, v in zip(_SIZE, key, strict=True)))
        line: dict[str, Any] = dict(zip(_SIZE, key, strict=True))
        for row in here.to_dicts():
            shown = number(row["width"], decimals_of(row["unit"]))
            line[row["outcome"]] = f"{shown} ({chance(row['p_decisive'])}{NO_BREAK}%)"
        lines.append(line)
    schema = dict.fromkeys(_SIZE, pl.Int64) | dict.fromkeys(OUTCOMES, pl.String)
    return pl.DataFrame(lines, schema=schema)


def smallest_lines(smallest: pl.DataFrame) -> pl.DataFrame:
    """Table the smallest pools: what was asked, for whom, and the size or why there is none."""
    lines = []
    for rows in smallest.partition_by("outcome", "target", maintain_order=True):
        first, best = rows.row(0, named=True), rows.filter("is_smallest").to_dicts()
        decimals = decimals_of(first["unit"])
        if best:
            [row] = best
            size = (
                f"{count(row['winters'], 'winter')}, "
                f"{count(row['apiaries'], 'apiary', 'apiaries')}, "
                f"{count(row['colonies'], 'colony', 'colonies')} in each"
            )
            units = number(row["colony_winters"])
        else:
            least = min(rows["least_width"].to_list())
            size, units = f"none of these: {number(least, decimals)} at best", "–"
        asked = f"{number(first['asked_width'], decimals)} {unit_words(first['unit'])}"
        lines.append((first["outcome"], asked, _TARGET_WORDS[first["target"]], size, units))
    names = ("outcome", "asked", "target", "size", "units")
    return pl.DataFrame(lines, schema=dict.fromkeys(names, pl.String), orient="row")


def say_precision(pool: Pool) -> None:
    """Print how precise trials can be, or how to find out."""
    table, smallest, run = load_precision(pool)
    if table.is_empty():
        say(
            "How precise a trial of a given size can be has not been asked yet: "
            "`winterpool precision STUDY` says it."
        )
        return
    if run["fit_sha256"] != fit_digest(pool.study.results_path):
        say(
            "How precise a trial can be was worked out before the last fit, so it is not shown: "
            "`winterpool precision STUDY` does it anew."
        )
        return
    rows = table.filter(pl.col("target") == GENERAL)
    say(
        source_sentence(run),
        f"Every trial gives half of each apiary's colonies full insulation and half none. "
        f"{run['rule']} The gain is asked for apiaries and winters like these, not only for those "
        "of the trial: how much it changes from winter to winter cannot be learnt in one, however "
        "many colonies.",
    )
    show_figure(
        pool,
        "trial-precision",
        "Expected width of the 89 % interval of full insulation against none, by the size of the "
        f"trial; lower is better. Filled: decisive at least {number(100 * LIKELY)} times in 100. "
        "Each row has its own scale.",
        precision_figure(rows),
        precision_alt(rows),
    )
    if len(smallest):
        show_table(
            "trial-smallest",
            "Smallest pools whose 89 % interval is expected to be as narrow as asked, among the "
            "numbers of apiaries and winters above.",
            smallest_lines(smallest),
            {
                "outcome": "Outcome",
                "asked": Column("Width asked", is_number=True),
                "target": "Gain in",
                "size": "Smallest pool",
                "units": Column("Colony-winters", is_number=True),
            },
        )
    with folded("All sizes of the trial"):
        show_table(
            "trial-sizes",
            "Expected width of the 89 % interval and, in brackets, the chance that the finding is "
            "decisive.",
            precision_lines(rows),
            {
                "winters": Column("Winters"),
                "apiaries": Column("Apiaries"),
                "colonies": Column("Colonies in each"),
                "colony_winters": Column("Colony-winters"),
                "stores use": Column("Stores [kg]", is_number=True),
                "survival": Column("Survival [points]", is_number=True),
                "spring strength": Column("Strength [frames]", is_number=True),
            },
        )


def draw_sentences(draws: pl.DataFrame, minimum: int) -> list[str]:
    """Say of each draw when and how it was made.

    Why one was made again stays with its record in the study: it is free text.
    """
    said = []
    for row in draws.to_dicts():
        size = "colonies"
        if row["n_members"] >= minimum:
            size = (
                f"{count(row['n_units'], 'colony', 'colonies')} in "
                f"{count(row['n_apiaries'], 'apiary', 'apiaries')}"
            )
        again = ", made again for a reason kept with its record" if row["number"] > 1 else ""
        kept = "" if row["is_last"] else " It no longer counts."
        said.append(
            f"Winter {winter_name(row['winter'])}, draw {row['number']}{again}: {size}, levels "
            f"{markdown_text(row['levels'])}; seed {markdown_text(row['seed'])}, recorded "
            f"{row['recorded_at'][:10]} before the draw.{kept}"
        )
    return said


def done_table(counts: pl.DataFrame, minimum: int) -> pl.DataFrame:
    """Table what was done by what was drawn; a draw with a small cell hides it and one more."""
    made = []
    for rows in counts.partition_by("winter", maintain_order=True):
        hidden = small_cells(rows["n_members"].to_list(), minimum)
        made += [
            {
                "winter": winter_name(row["winter"]),
                "drawn": row["drawn"],
                "done": row["done"],
                "n": FEW if is_small else number(row["n_units"]),
            }
            for row, is_small in zip(rows.to_dicts(), hidden, strict=True)
        ]
    return pl.DataFrame(made, schema=dict.fromkeys(("winter", "drawn", "done", "n"), pl.String))


def say_draws(pool: Pool) -> None:
    """Print the study's draws and what became of them; nothing where none was made."""
    path = pool.study.results_path / DRAWS_FILE
    if not path.exists():
        say(
            "No set-ups have been drawn with this program yet: `winterpool assign STUDY` draws "
            "them in blocks of like colonies and writes a sheet for each member."
        )
        return
    draws = pl.read_csv(path, schema_overrides={"seed": pl.String})
    for text in draw_sentences(draws, pool.minimum_cell):
        say(text)
    path = pool.study.results_path / TRIAL_FILE
    if not path.exists():
        return
    table = done_table(pl.read_csv(path), pool.minimum_cell)
    show_table(
        "trial-done",
        "What was done, by what was drawn, in colonies. The answer of this report counts every "
        "colony as it was done." + few_note(pool, table),
        table,
        {
            "winter": "Winter",
            "drawn": "Drawn",
            "done": "Done",
            "n": Column("Colonies", is_number=True),
        },
    )
