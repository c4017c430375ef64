"""What refits found, to figures, tables and the sentence on what was not checked."""

from __future__ import annotations

import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from models.refits.choices import WITHOUT_LARGEST
from models.refits.verdicts import OWN
from models.vocabulary import OUTCOMES
from reports.context import Pool
from reports.figures import FAINT, INK, WIDTH_IN, house_style, name_rows
from reports.tables import Column
from reports.verdict import load_checks, refits_path
from reports.wording import decimals_of, listed, markdown_text, signed, unit_words

CHOICES = "choices"
PANEL_TITLES = {
    "stores use": "Stores saved",
    "survival": "Survival",
    "spring strength": "Spring strength",
}
_OF_EACH: dict[str, Column | str] = {
    "outcome": "Outcome",
    "answer": Column("Refit (95 %)", is_number=True),
    "own_answer": Column("Own", is_number=True),
    "unit_words": "Unit",
    "shift_sd": Column("Shift [posterior sd]", 2),
    "n_units": Column("Colony-winters"),
    "r_hat": Column("R-hat", 3),
}
REFIT_TABLES: dict[str, dict[str, Column | str]] = {
    "complete_cases": _OF_EACH,
    "drawn_by_lot": _OF_EACH,
    "as_assigned": _OF_EACH,
    "dose": _OF_EACH,
    "mites_from_counts": _OF_EACH,
    "autumn_strength": {
        "outcome": "Outcome",
        "answer": Column("Difference (95 %)", is_number=True),
        "unit_words": "Unit",
        "n_units": Column("Counts"),
        "r_hat": Column("R-hat", 3),
    },
    "without_one": {
        "words": "Refit",
        "outcome": "Outcome",
        "answer": Column("Answer (95 %)", is_number=True),
        "own_answer": Column("Own", is_number=True),
        "unit_words": "Unit",
        "shift_sd": Column("Shift [posterior sd]", 2),
    },
    CHOICES: {
        "words": "Choice",
        **{
            outcome: Column(f"{title} [{unit}]", is_number=True)
            for (outcome, title), unit in zip(
                PANEL_TITLES.items(), ("kg", "points", "frames"), strict=True
            )
        },
        "n_units": Column("Colony-winters"),
        "r_hat": Column("R-hat, highest", 3),
    },
}


def _answer(row: dict) -> str:
    """Write a refit's answer with its limits, or its status."""
    if row["status"] != "estimated":
        return str(row["status"])
    decimals = decimals_of(row["unit"])
    low, high = signed(row["q2.5"], decimals), signed(row["q97.5"], decimals)
    return f"{signed(row['mean'], decimals)} ({low} to {high})"


def shown_refits(name: str, table: pl.DataFrame) -> pl.DataFrame:
    """Rows of a refit's table as the page shows them; of the choices one a choice."""
    rows = [
        row
        | {
            "answer": _answer(row),
            "own_answer": signed(row["own_mean"], decimals_of(row["unit"])),
            "unit_words": unit_words(row["unit"]),
        }
        for row in table.to_dicts()
    ]
    if name != CHOICES:
        extra = dict.fromkeys(("answer", "own_answer", "unit_words"), pl.String)
        return pl.DataFrame(rows, schema={**table.schema, **extra})
    wide: dict[str, dict] = {}
    for row in rows:
        line = wide.setdefault(
            row["words"],
            {"words": row["words"], **dict.fromkeys(OUTCOMES, "–"), "n_units": 0, "r_hat": None},
        )
        line[row["outcome"]] = row["answer"]
        if row["words"] == WITHOUT_LARGEST:  # how many they sent would follow from the own number
            line["n_units"] = None
        else:
            line["n_units"] = max(line["n_units"], row["n_units"])
        if row["r_hat"] is not None:
            line["r_hat"] = max(line["r_hat"] or 0.0, row["r_hat"])
    schema = {"words": pl.String, **dict.fromkeys(OUTCOMES, pl.String)}
    return pl.DataFrame(
        list(wide.values()), schema=schema | {"n_units": pl.Int64, "r_hat": pl.Float64}
    )


def _draw_choice(axes: Axes, y: int, row: dict) -> None:
    if row["mean"] is None:
        place = axes.get_yaxis_transform()
        text = axes.text(0.5, y, row["status"], transform=place, ha="center", va="center", size=6.5)
        text.set_backgroundcolor("white")
        return
    is_own = row["words"] == OWN
    axes.plot([row["q2.5"], row["q97.5"]], [y, y], color=INK, lw=2.4 if is_own else 1.2)
    marker, fill = ("D", INK) if is_own else ("s", INK) if row["is_moved"] else ("o", "white")
    axes.plot(row["mean"], y, marker, color=INK, mfc=fill, ms=5, zorder=5)


def figure_choices(table: pl.DataFrame) -> tuple[Figure, str]:
    """Draw the specification table: a choice a row, an outcome a panel, the own answer a line.

    Parameters
    ----------
    table : polars.DataFrame
        ``results/refits/choices.csv``; the study's own first.
    """
    names = table["words"].unique(maintain_order=True).to_list()
    outcomes = [o for o in OUTCOMES if o in table["outcome"].to_list()]
    said = []
    with house_style():
        figure = Figure(
            figsize=(WIDTH_IN, 1.2 + 0.24 * len(names)), layout=ConstrainedLayoutEngine()
        )
        panels = figure.subplots(1, len(outcomes), sharey=True, squeeze=False)[0]
        for axes, outcome in zip(panels, outcomes, strict=True):
            rows = table.filter(pl.col("outcome") == outcome).to_dicts()
            own = next(row["mean"] for row in rows if row["words"] == OWN)
            axes.axvline(own, color=FAINT, lw=1.2, ls="--")
            axes.axvline(0, color=FAINT, lw=0.8, ls=":")
            for row in rows:
                _draw_choice(axes, names.index(row["words"]), row)
            unit = rows[0]["unit"]
            axes.set_title(PANEL_TITLES[outcome].replace(" ", "\n"), size=9.5)
            axes.set_xlabel(f"[{unit}]", size=9)
            axes.locator_params(axis="x", nbins=4)
            axes.tick_params(axis="both", labelsize=8)
            name_rows(axes, names)
            judged = [row["mean"] for row in rows if row["mean"] is not None]
            decimals = decimals_of(unit)
            said.append(
                f"{outcome}: own {signed(own, decimals)} {unit_words(unit)}, over all choices "
                f"{signed(min(judged), decimals)} to {signed(max(judged), decimals)}"
            )
    alt = f"{len(names) - 1} other choices beside the study's own answer. {'; '.join(said)}."
    return figure, alt


CHOICES_CAPTION = (
    "The answer under every other choice, one change at a time, with 95 % limits: ◆ and the dashed "
    "line are the study's own answer, ■ is a choice that moves it further than the rule allows, "
    "the dotted line is no difference. “Narrower” is at both ends of the dates that count."
)


def unchecked_sentences(pool: Pool) -> list[str]:
    """Say which refits stand behind the report, and which do not."""
    if not (refits_path(pool) / "checks.csv").exists():
        return [
            "Besides these, [questions](#fragility) are asked of the answer without a refit. No "
            "refit with other rules for the levels or winters, or with the set-ups drawn by lot "
            "alone, stands behind this report; `winterpool refit STUDY` makes them. Read the "
            "probabilities with that in mind."
        ]
    checks = load_checks(pool)
    open_ones = checks.filter(pl.col("status") == "not run").to_dicts()
    said = ["[Questions](#fragility) are asked of the answer without a refit and with refits."]
    if not open_ones:
        return [*said, "None of them was left out."]
    titles = [f"“{markdown_text(row['title'])}”" for row in open_ones]
    return [*said, f"Not run: {listed(titles)}; each says why."]
