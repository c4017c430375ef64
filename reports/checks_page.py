"""Results of the checks to the page that lists them, and shows what each rests on."""

from __future__ import annotations

import polars as pl
from matplotlib.figure import Figure

from models.refits.verdicts import SCHEMA as REFIT_SCHEMA
from pipeline.errors import RenderError
from reports.blocks import say, show_figure, show_table, slug
from reports.context import Pool
from reports.figures import FAINT, INK, LEVEL_COLOURS, house_style, name_rows, new_figure
from reports.refits_page import (
    CHOICES,
    CHOICES_CAPTION,
    REFIT_TABLES,
    figure_choices,
    shown_refits,
)
from reports.tables import Column
from reports.verdict import load_checks, refits_path
from reports.wording import count, listed, markdown_text, number

MARKS = {
    "passed": "✓ passed",
    "failed": "✗ failed",
    "informational": "○ informational",
    "not run": "– not run",
}
"""Status as the page shows it: the mark differs in shape, so that no colour is needed."""

LIST_COLUMNS: dict[str, Column | str] = {
    "mark": "Result",
    "title": "Check",
    "bears_on": "Bears on",
    "question": "Question",
}
SHOWN_RANKS = 5
_MARKERS = {"top": "s", "partial": "^", "full": "o"}

# What of each check's table the page shows: nothing of single members but their rank.
TABLES: dict[str, dict[str, Column | str]] = {
    "prediction": {
        "outcome": "Outcome",
        "group": "Level or winter",
        "observed": Column("Observed", 2),
        "low": Column("Low", 2, "95 % of predictions"),
        "high": Column("High", 2, "95 % of predictions"),
    },
    "left_out_record": {
        "outcome": "Outcome",
        "what": "Where",
        "observed": Column("Observed share", 2),
        "expected": Column("Expected", 2),
        "low": Column("Low", 2, "95 % by chance"),
        "high": Column("High", 2, "95 % by chance"),
    },
    "power_scaling": {
        "outcome": "Outcome",
        "scaled": "Priors or records",
        "sensitivity": Column("Sensitivity", 3),
        "diagnosis": "In words",
    },
    "influence": {
        "outcome": "Outcome",
        "left_out": "Left out",
        "rank": Column("Rank"),
        "shift_sd": Column("Shift [posterior sd]", 2),
        "k": Column("k", 2),
        "note": "Note",
    },
    "overlap": {
        "level": "Level",
        "covariate": "Recorded",
        "mean": Column("Mean", 2),
        "mean_none": Column("Mean at none", 2),
        "difference_sd": Column("Difference [sd]", 2),
    },
    "mite_methods": {
        "method_a": "Method",
        "method_b": "Against",
        "n_pairs": Column("Colonies"),
        "ratio": Column("Ratio", 2),
        "agreement_low": Column("Low", 2, "95 % of pairs"),
        "agreement_high": Column("High", 2, "95 % of pairs"),
    },
    "unreported": {
        "outcome": "Outcome",
        "level": "Level",
        "percent_missing": Column("Unreported [%]"),
        "reported": Column("Reported mean", 1),
        "bound_low": Column("Low", 1, "Bounds"),
        "bound_high": Column("High", 1, "Bounds"),
        "tipping_point": Column("Tipping point", 1),
        "unit": "Unit",
    },
    "order_of_events": {
        "measured": "Measured",
        "n_dated": Column("Dated"),
        "n_after": Column("After the set-up"),
    },
    **REFIT_TABLES,
}


def load_table(pool: Pool, name: str) -> pl.DataFrame:
    """Read a check's table; empty when it left none.

    Raises
    ------
    RenderError
        The table of a refit lacks a column: another version of the program wrote it.
    """
    folder = refits_path(pool) if name in REFIT_TABLES else pool.study.results_path / "checks"
    path = folder / f"{name}.csv"
    if not path.exists():
        return pl.DataFrame()
    table = pl.read_csv(path, infer_schema_length=None)
    missing = [c for c in REFIT_SCHEMA if c not in table.columns] if name in REFIT_TABLES else []
    if missing:
        raise RenderError(
            f"{path} has no column {missing[0]!r}.", mend="Run: winterpool refit STUDY."
        )
    return table


def check_list(checks: pl.DataFrame) -> pl.DataFrame:
    """List all checks with their marks; ``bears_on`` names the outcomes of a failure."""
    return checks.with_columns(
        mark=pl.col("status").replace_strict(MARKS, default=pl.col("status")),
        bears_on=pl.col("failed_for").str.replace_all("; ", ", ", literal=True),
    )


def checks_sentence(checks: pl.DataFrame) -> str:
    """Say how many checks there are of each status."""
    if checks.is_empty():
        return (
            "No check of the answer has been run for these records. They run with the fit: "
            "winterpool fit STUDY."
        )
    counts = dict(checks.group_by("status").len().iter_rows())
    parts = [f"{number(counts[s])} {s}" for s in MARKS if s in counts]
    return f"Of {count(checks.height, 'check')} of the answer, {listed(parts)}."


def _levels_of_enough(pool: Pool) -> list[str]:
    """Levels and winters used by enough members to be shown."""
    names: list[str] = []
    for column in ("level", "winter"):
        counts = pool.units.group_by(column).agg(n=pl.col("member_id").n_unique())
        shown = counts.filter(pl.col("n") >= pool.minimum_cell)[column]
        names += [str(name) for name in shown.drop_nulls().to_list()]
    return names


def shown_rows(pool: Pool, name: str, table: pl.DataFrame) -> pl.DataFrame:
    """Rows of a check's table that a page may show: no member's figures, no small groups."""
    enough = _levels_of_enough(pool)
    if name == "prediction":
        return table.filter(
            pl.col("by").is_in(["level", "winter"]) & pl.col("group").cast(pl.String).is_in(enough)
        )
    if name in REFIT_TABLES:
        return shown_refits(name, table)
    if name in ("overlap", "unreported"):
        table = table.filter(pl.col("level").is_in(enough))
    if name == "unreported":
        table = table.with_columns(percent_missing=100.0 * pl.col("share_missing"))
    if name == "influence":
        table = table.filter(pl.col("rank") <= SHOWN_RANKS)
    if name == "mite_methods":
        table = table.filter(pl.col("n_pairs") >= pool.minimum_cell)
    return table


def figure_overlap(table: pl.DataFrame) -> tuple[Figure, str]:
    """Draw standardised differences of each level from none, a covariate a row."""
    names = table["covariate"].unique(maintain_order=True).to_list()
    with house_style():
        figure, [axes] = new_figure(1.2 + 0.36 * len(names))
        for level in table["level"].unique(maintain_order=True).to_list():
            own = table.filter(pl.col("level") == level)
            heights = [names.index(c) for c in own["covariate"]]
            axes.plot(
                own["difference_sd"].to_numpy(),
                heights,
                _MARKERS.get(level, "D"),
                color=LEVEL_COLOURS.get(level, INK),
                label=level,
            )
        for limit in (-0.5, -0.25, 0.25, 0.5):
            axes.axvline(limit, color=FAINT, lw=1, ls=":" if abs(limit) < 0.5 else "--")
        name_rows(axes, names)
        axes.set_xlabel("difference from none [sd]")
        figure.legend(loc="outside lower center", ncols=3)
    [most] = table.sort(pl.col("difference_sd").abs(), descending=True).head(1).to_dicts()
    alt = (
        f"Standardised differences of {len(names)} recorded properties between each level and "
        f"none. The largest is {number(most['difference_sd'], 2)} for {most['covariate']} at level "
        f"{most['level']}."
    )
    return figure, alt


def figure_bias(table: pl.DataFrame) -> tuple[Figure, str]:
    """Draw what remains of each answer behind hidden confounders of given strengths."""
    answers = table["answer"].unique(maintain_order=True).to_list()
    with house_style():
        figure, panels = new_figure(2.9 * len(answers), rows=len(answers))
        for axes, answer in zip(panels, answers, strict=True):
            own = table.filter(pl.col("answer") == answer)
            ties = own["with_exposure"].unique().sort().to_list()
            for row in own.to_dicts():
                x, y = ties.index(row["with_exposure"]), ties.index(row["with_outcome"])
                is_gone, is_open = row["is_estimate_explained"], row["is_interval_explained"]
                mark = " ✗" if is_gone else " ○" if is_open else ""
                axes.text(
                    x, y, number(row["risk_ratio"], 2) + mark, ha="center", va="center", size=9
                )
            axes.set_xlim(-0.5, len(ties) - 0.5)
            axes.set_ylim(-0.5, len(ties) - 0.5)
            axes.set_xticks(range(len(ties)), [number(t, 2) for t in ties])
            axes.set_yticks(range(len(ties)), [number(t, 2) for t in ties])
            axes.set_title(answer)
            axes.set_xlabel("tie to the set-up [risk ratio]")
            axes.set_ylabel("tie to the outcome")
    said = [
        f"{answer}: explained away in {own['is_estimate_explained'].sum()} of {own.height} pairs"
        for answer in answers
        for own in [table.filter(pl.col("answer") == answer)]
    ]
    alt = f"Grids of hidden confounders' strengths, with the risk ratio left. {'; '.join(said)}."
    return figure, alt


def figure_influence(table: pl.DataFrame) -> tuple[Figure, str]:
    """Draw how far leaving out each member or apiary moves the answer, by rank."""
    judged = table.drop_nulls("shift_sd")
    outcomes = judged["outcome"].unique(maintain_order=True).to_list()
    with house_style():
        figure, panels = new_figure(0.6 + 1.7 * len(outcomes), rows=len(outcomes))
        for axes, outcome in zip(panels, outcomes, strict=True):
            for kind, marker in (("member", "o"), ("apiary", "x")):
                own = judged.filter((pl.col("outcome") == outcome) & (pl.col("left_out") == kind))
                axes.plot(
                    own["rank"].to_numpy(),
                    own["shift_sd"].to_numpy(),
                    marker,
                    color=INK,
                    label=kind,
                )
            axes.axhline(0, color=FAINT, lw=1)
            axes.set_ylabel("shift [sd]")
            axes.set_title(outcome)
        panels[-1].set_xlabel("rank by size of the shift")
        panels[0].legend(ncols=2)
    most = float(judged["shift_sd"].abs().max() or 0.0)  # type: ignore[arg-type]
    alt = (
        "Shift of the answer, in posterior standard deviations, without each member or apiary; "
        f"the largest of those that reweighting can judge is {number(most, 2)}."
    )
    return figure, alt


_FIGURES = {
    "overlap": (
        figure_overlap,
        "How levels differ from none before winter; dotted lines at 0.25, dashed at 0.5.",
    ),
    "hidden_confounder": (
        figure_bias,
        "What a hidden confounder would leave: ✗ the estimate is gone, ○ its interval holds no "
        "difference.",
    ),
    "influence": (figure_influence, "How far single members and apiaries move the answer."),
    CHOICES: (figure_choices, CHOICES_CAPTION),
}
_DRAWN_WHOLE = ("influence", CHOICES)


def say_check(pool: Pool, check: dict) -> None:
    """Print one check: its mark, sentence, rule, figure and table."""
    name = check["name"]
    mark = MARKS.get(check["status"], check["status"])
    say(f"### {markdown_text(check['title'])} {{#check-{slug(name)}}}")
    say(f"*{markdown_text(check['question'])}*")
    say(f"**{mark}.** {markdown_text(check['sentence'])} {markdown_text(check['reason'])}")
    table = load_table(pool, name)
    if table.is_empty():
        return
    shown = shown_rows(pool, name, table)
    if name in _FIGURES and not shown.is_empty():
        draw, caption = _FIGURES[name]
        source = table if name in _DRAWN_WHOLE else shown
        if name != "influence" or not source.drop_nulls("shift_sd").is_empty():
            show_figure(pool, f"check-{slug(name)}", caption, *draw(source))
    if name in TABLES:
        show_table(
            f"check-{slug(name)}",
            f"{check['title']}: what the answer rests on.",
            shown,
            TABLES[name],
        )


def say_checks(pool: Pool) -> None:
    """Print the list of all checks, then each in turn."""
    checks = load_checks(pool)
    say(checks_sentence(checks))
    show_table(
        "check-list",
        "All checks of the answer. ✓ passed, ✗ failed, ○ informs without a verdict, – not run.",
        check_list(checks),
        LIST_COLUMNS,
    )
    for check in checks.to_dicts():
        say_check(pool, check)
