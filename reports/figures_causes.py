"""Causes of loss by level: curves, counts, and the sentences that say what they are not."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
from matplotlib.figure import Figure

from models.causes import (
    ALL_CAUSES,
    CAUSES,
    DISASTER,
    LEFT_OUT,
    LOST,
    causes_by_level,
    fates_by_level,
    incidence_curves,
)
from models.vocabulary import LEVELS
from pipeline.settings import Settings, WinterSettings
from reports.figures import LEVEL_COLOURS, house_style, new_figure
from reports.tables import FEW, Column, small_cells
from reports.wording import count, listed, number

_LINES = {"none": (0, (1, 1.2)), "top": (0, (5, 1.5, 1, 1.5)), "partial": (0, (5, 2)), "full": "-"}


def fold_few(times: pl.DataFrame, minimum: int) -> pl.DataFrame:
    """Put causes recorded by fewer than ``minimum`` members in the whole pool under ``other``."""
    members = dict(
        times.drop_nulls("cause").group_by("cause").agg(pl.col("member_id").n_unique()).iter_rows()
    )
    few = [c for c, n in members.items() if n < minimum and c != "unknown"]
    return times.with_columns(
        cause=pl.when(pl.col("cause").is_in(few)).then(pl.lit("other")).otherwise("cause")
    )


def _shown(times: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Counts and incidence by level and cause, with ``is_hidden`` where few members stand behind.

    The causes of a level are one partition: what is hidden cannot be had from the level's total.
    Of a level that few members used, everything is hidden.
    """
    minimum = settings.report.minimum_cell
    table = causes_by_level(fold_few(times, minimum), seed=settings.model.seed)
    parts = []
    for _, part in table.group_by("level", maintain_order=True):
        is_all = part["cause"] == ALL_CAUSES
        small = small_cells(part.filter(~is_all)["n_members"].to_list(), minimum)
        total = part.filter(is_all)["n_members"].item()
        small.append(0 < total < minimum)
        if part["n_at_risk_members"].item(0) < minimum:
            small = [True] * part.height
        parts.append(part.with_columns(pl.Series("is_hidden", small, dtype=pl.Boolean)))
    return pl.concat(parts) if parts else table.with_columns(is_hidden=pl.lit(False))


def _drawn_causes(shown: pl.DataFrame) -> list[str]:
    """Causes with at least one curve above zero that may be shown."""
    seen = shown.filter(~pl.col("is_hidden"), pl.col("n_lost") > 0)["cause"].to_list()
    return [cause for cause in (*CAUSES, ALL_CAUSES) if cause in seen]


def has_causes(times: pl.DataFrame, settings: Settings) -> bool:
    """Whether any curve may be shown."""
    return bool(_drawn_causes(_shown(times, settings)))


def _month_ticks(winter: WinterSettings) -> tuple[list[int], list[str]]:
    """First days of months within the winter, in days since its first."""
    first = date.fromisoformat(f"2022-{winter.starts_on}")
    last = date.fromisoformat(f"2023-{winter.ends_on}")
    days = [first + timedelta(days=k) for k in range((last - first).days + 1)]
    firsts = [day for day in days if day.day == 1]
    return [(day - first).days for day in firsts], [f"{day:%b}" for day in firsts]


def causes_figure(times: pl.DataFrame, settings: Settings) -> Figure:
    """Draw the share lost by each day, a panel a cause, a line a level."""
    shown = _shown(times, settings)
    curves = incidence_curves(fold_few(times, settings.report.minimum_cell))
    causes = _drawn_causes(shown)
    ticks, names = _month_ticks(settings.winter)
    hidden = set(shown.filter("is_hidden").select("level", "cause").iter_rows())
    with house_style():
        figure, panels = new_figure(0.8 + 1.35 * len(causes), rows=len(causes))
        for axes, cause in zip(panels, causes, strict=True):
            axes.set_title("all causes but disaster" if cause == ALL_CAUSES else cause)
            for level in LEVELS:
                line = curves.filter(level=level, cause=cause)
                if line.is_empty() or (level, cause) in hidden:
                    continue
                style: dict[str, Any] = {"color": LEVEL_COLOURS[level], "ls": _LINES[level]}
                x, y = line["day"].to_numpy(), line["incidence"].to_numpy()
                axes.step(x, y, where="post", label=level, lw=2, **style)
            axes.set(xlim=(0, ticks[-1] + 14), ylim=(0, None), ylabel="lost [%]")
            axes.set_xticks(ticks, names)
            axes.grid(axis="y")
        handles = {h.get_label(): h for axes in panels for h in axes.get_legend_handles_labels()[0]}
        order = [handles[level] for level in LEVELS if level in handles]
        figure.legend(handles=order, loc="outside upper left", ncols=4)
    return figure


def causes_alt(times: pl.DataFrame, settings: Settings) -> str:
    """Say the share lost by winter's end, by cause and level."""
    shown = _shown(times, settings)
    said = []
    for cause in _drawn_causes(shown):
        own = shown.filter(pl.col("cause") == cause, ~pl.col("is_hidden"))
        values = [
            f"{level} {number(v, 1)} %" for level, v in own.select("level", "incidence").iter_rows()
        ]
        said.append(f"{cause}: {listed(values)}")
    return f"Colonies lost by the winter's end, by cause and level. {'; '.join(said)}."


def causes_table(times: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Table counts and cumulative incidence by level and cause, as text.

    Returns
    -------
    polars.DataFrame
        One row a cause: cause, then for each level ``n LEVEL`` (losses) and ``share LEVEL``
        ("9.0 (4.8 to 13.1)" [%]); a cell of few members is a word.
    """
    shown = _shown(times, settings)
    levels = [name for name in LEVELS if name in shown["level"].to_list()]
    rows = []
    for cause in (*CAUSES, ALL_CAUSES):
        cells = {r["level"]: r for r in shown.filter(pl.col("cause") == cause).to_dicts()}
        if not any(cell["n_lost"] for cell in cells.values()):
            continue
        row = {"cause": cause}
        for level in levels:
            cell = cells[level]
            span = f" ({number(cell['low'], 1)} to {number(cell['high'], 1)})"
            share = number(cell["incidence"], 1) + (span if cell["low"] is not None else "")
            row[f"n {level}"] = FEW if cell["is_hidden"] else number(cell["n_lost"])
            row[f"share {level}"] = FEW if cell["is_hidden"] else share
        rows.append(row)
    names = ["cause", *(f"{kind} {level}" for level in levels for kind in ("n", "share"))]
    return pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String))


def causes_sentences(times: pl.DataFrame, settings: Settings) -> list[str]:
    """Say how many losses there are, what is left out, and what the recorded cause is not."""
    lost = times.filter(pl.col("fate") == LOST)
    if lost.is_empty():
        return ["No loss is recorded among the colony-winters analysed, so no cause is shown."]
    unknown = lost.filter(pl.col("cause") == "unknown").height
    undated = lost.filter(~pl.col("is_dated")).height
    fates = dict(fates_by_level(times).group_by("fate").agg(pl.col("n_units").sum()).iter_rows())
    minimum = settings.report.minimum_cell
    said = [
        f"{count(lost.height, 'colony-winter')} {'was' if lost.height == 1 else 'were'} lost; for "
        f"{number(unknown)} of them no cause is recorded or it is unknown. **A recorded cause is "
        "the member's opinion**, mostly without a laboratory, and a colony is found dead days or "
        "weeks after it died, so the curves lag behind the deaths and rise at visits. Nothing here "
        "is adjusted for member, mites or cold: differences between levels are no effects."
    ]
    apart = times.filter(pl.col("fate") == DISASTER)
    if apart.height:
        few = apart["member_id"].n_unique() < minimum
        n = "A few colonies" if few else count(apart.height, "colony", "colonies")
        said.append(
            f"{n} lost to disaster (flood, bear, theft, fire) are taken out of the count on that "
            "day and held against no set-up."
        )
    if undated:
        said.append(
            f"{count(undated, 'loss', 'losses')} without a day of its own in the winter stand on "
            "its last day."
        )
    if fates.get(LEFT_OUT):
        said.append(
            f"{count(fates[LEFT_OUT], 'colony-winter')} of unknown fate, with no day when last "
            "seen alive, are not in the shares."
        )
    return said


def causes_columns(table: pl.DataFrame) -> dict[str, Column | str]:
    """Columns of the table of causes, grouped by level."""
    columns: dict[str, Column | str] = {"cause": "Recorded cause"}
    for name in table.columns[1:]:
        kind, _, level = name.partition(" ")
        is_count = kind == "n"
        title = "Lost" if is_count else "Share [%]"
        columns[name] = Column(title, group=level, is_number=is_count)  # shares may wrap
    return columns
