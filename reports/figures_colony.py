"""A winter of one colony: warmth, moisture, weight and visits, week by week."""

from __future__ import annotations

from calendar import month_abbr
from datetime import date, timedelta

import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from reports.blocks import folded, say, show_table
from reports.context import Pool
from reports.figures import FAINT, INK, KEPT, house_style, name_rows, new_figure
from reports.hover import Mark, show_hover_figure
from reports.one_winter import DAYS, FIRST_MONTH, RULE, OneWinter
from reports.tables import Column
from reports.wording import LEVEL_WORDS, count, listed, number, sentence

_LOOKS = {
    "outside": (FAINT, "-", None),
    "above cluster": ("#D55E00", "-", None),
    "under cover": ("#009E73", "--", None),
    "brood nest": ("#0072B2", "-.", None),
    "floor": ("#CC79A7", ":", None),
    "scale": (INK, "-", None),
    "weighed": (INK, "", "D"),
}
_OTHER = ("#56B4E9", (0, (5, 1)), None)
_VISITS = ("fed", "treated", "mites counted", "weighed", "strength seen", "last check")
_DECIMALS = {"temperature": 1, "humidity": 0, "weight": 1}
_UNITS = {"temperature": "°C", "humidity": "%", "weight": "kg"}
_FIRST = date(2001, FIRST_MONTH, 1)  # any year that is followed by no leap day


def _series(found: OneWinter) -> dict[str, pl.DataFrame]:
    """What was measured, by quantity, those without a value left out."""
    every = {
        "temperature": found.temperature,
        "humidity": found.humidity,
        "weight": found.weight,
    }
    return {name: frame for name, frame in every.items() if not frame.is_empty()}


def _visits(found: OneWinter) -> list[str]:
    return [visit for visit in _VISITS if visit in found.events["of"].to_list()]


def _title(name: str) -> str:
    return f"{name.capitalize()} [{_UNITS[name]}]"


def _plot_lines(axes: Axes, frame: pl.DataFrame) -> None:
    for (of,), line in frame.group_by("of", maintain_order=True):
        colour, dashes, marker = _LOOKS.get(str(of), _OTHER)
        weeks = line["week"].to_numpy()
        whole = pl.DataFrame({"week": range(int(weeks.min()), int(weeks.max()) + 1)})
        gaps = whole.join(line.cast({"week": pl.Int64}), on="week", how="left") if dashes else line
        axes.plot(
            7 * gaps["week"].to_numpy() + 3.5,
            gaps["value"].to_numpy(),
            color=colour,
            ls=dashes or "none",
            marker=marker,
            ms=6,
            mfc="white",
            lw=1.8,
            clip_on=False,
        )
    axes.margins(y=0.12)


def _name_months(axes: Axes) -> None:
    starts = [
        (date(_FIRST.year + (m < FIRST_MONTH), m, 1) - _FIRST).days
        for m in (9, 10, 11, 12, 1, 2, 3, 4, 5)
    ]
    names = [month_abbr[(_FIRST + timedelta(days=d)).month] for d in starts]
    axes.set_xticks(starts, names, ha="left")
    axes.set_xlim(0, DAYS)


def colony_figure(found: OneWinter) -> Figure:
    """Draw visits above, then a panel for each quantity, all over the same weeks."""
    series, visits = _series(found), _visits(found)
    ratios = [0.45 + 0.24 * len(visits)] if visits else []
    ratios += [2.3 if name == "temperature" else 1.5 for name in series]
    with house_style():
        names = list(dict.fromkeys(of for frame in series.values() for of in frame["of"].to_list()))
        lines = -(-len(names) // 3)
        figure, panels = new_figure(0.3 + 0.25 * lines + sum(ratios), len(ratios), ratios)
        if visits:
            axes = panels[0]
            for y, visit in enumerate(visits):
                weeks = found.events.filter(pl.col("of") == visit)["week"].to_numpy()
                axes.plot(7 * weeks + 3.5, [y] * len(weeks), "o", ms=6, color=KEPT, mew=0)
            name_rows(axes, visits)
            axes.set_title("Visits")
        for axes, (name, frame) in zip(panels[bool(visits) :], series.items(), strict=True):
            _plot_lines(axes, frame)
            axes.set_title(_title(name))
            axes.grid(axis="both")
        for axes in panels:
            _name_months(axes)
        handles = []
        for of in names:
            colour, dashes, marker = _LOOKS.get(of, _OTHER)
            look = {"color": colour, "ls": dashes or "none", "marker": marker, "mfc": "white"}
            handles.append(Line2D([], [], lw=1.8, label=of, **look))  # type: ignore[arg-type]
        figure.legend(handles=handles, loc="outside lower left", ncols=3, handlelength=2.6)
    return figure


def week_name(week: int) -> str:
    """Name a week by its first day, without a year.

    Examples
    --------
    >>> week_name(0), week_name(18)
    ('1 Sep', '5 Jan')
    """
    day = _FIRST + timedelta(days=7 * week)
    return f"{day.day} {month_abbr[day.month]}"


def _visit_words(row: dict) -> str:
    return f"{row['of']} {number(row['value'], 1)} kg" if row["value"] else str(row["of"])


def week_table(found: OneWinter) -> pl.DataFrame:
    """Table the weeks that have a value or a visit.

    Returns
    -------
    polars.DataFrame
        ``week``, then a column a line of the figure (``temperature: outside`` ...), all numbers
        as text, then ``visits`` (a weighing stands under weight).
    """
    columns = {
        f"{name}: {of}": dict(frame.filter(pl.col("of") == of).select("week", "value").iter_rows())
        for name, frame in _series(found).items()
        for of in frame["of"].unique(maintain_order=True).to_list()
    }
    visits: dict[int, list[str]] = {}
    for row in found.events.filter(pl.col("of") != "weighed").to_dicts():
        visits.setdefault(row["week"], []).append(_visit_words(row))
    weeks = sorted({*visits, *(week for values in columns.values() for week in values)})
    rows = [
        {
            "week_no": week,
            "week": week_name(week),
            **{
                name: number(values[week], _DECIMALS[name.partition(":")[0]])
                if week in values
                else "–"
                for name, values in columns.items()
            },
            "visits": ", ".join(visits.get(week, [])),
        }
        for week in weeks
    ]
    return pl.DataFrame(rows)


def colony_marks(figure: Figure, found: OneWinter) -> list[Mark]:
    """Return what each week of the figure tells, over all its panels."""
    marks = []
    for row in week_table(found).to_dicts():
        told: list[str] = []
        for name, unit in _UNITS.items():
            values = [
                f"{key.partition(': ')[2]} {value}"
                for key, value in row.items()
                if key.startswith(f"{name}: ") and value != "–"
            ]
            told += [f"{', '.join(values)} {unit}"] if values else []
        told += [row["visits"]] if row["visits"] else []
        x = 7.0 * row["week_no"]
        words = f"Week of {row['week']}: {'; '.join(told)}"
        marks.append(Mark(figure.axes[0], words, x=(x, x + 7), down_to=figure.axes[-1]))
    return marks


def colony_alt(found: OneWinter) -> str:
    """Say the range of every line and the weeks of every visit."""
    said = []
    for name, frame in _series(found).items():
        parts = []
        for (of,), line in frame.group_by("of", maintain_order=True):
            low, high = (
                number(v, _DECIMALS[name])  # type: ignore[arg-type]
                for v in (line["value"].min(), line["value"].max())
            )
            parts.append(f"{of} {low} to {high}" if low != high else f"{of} {low}")
        said.append(f"{name}, weekly, in {_UNITS[name]}: {', '.join(parts)}")
    for visit in _visits(found):
        weeks = found.events.filter(pl.col("of") == visit)["week"].to_list()
        said.append(f"{visit} in the week of {listed([week_name(week) for week in weeks])}")
    return f"One colony from September to May. {'; '.join(said)}."


def say_colony(pool: Pool) -> None:
    """Print the winter of one colony and its weeks as a table, or why there is none."""
    found = pool.one_winter
    if found.why_not:
        say(found.why_not)
        return
    where = f", in one of the {LEVEL_WORDS[found.level]}" if found.level in LEVEL_WORDS else ""
    end = f" Its last check found it {found.state}." if found.state else ""
    say(
        f"Of {count(found.n_colony_winters, 'colony-winter')} with loggers, kept by "
        f"{count(found.n_members, 'member')}, this is {RULE}{where}.{end} It is one example, no "
        "finding: other colonies differ. Neither colony, place nor year is told."
    )
    figure = colony_figure(found)
    show_hover_figure(
        pool,
        "colony",
        "The winter of one colony. Lines: means of each week. Diamonds: the whole hive as weighed "
        "by hand. Dots: weeks with a visit."
        if "weighed" in found.weight["of"].to_list()
        else "The winter of one colony. Lines: means of each week. Dots: weeks with a visit.",
        figure,
        colony_alt(found),
        colony_marks(figure, found),
    )
    table = week_table(found)
    columns: dict[str, Column | str] = {"week": "Week of"}
    for name in table.columns[2:-1]:
        quantity, _, of = name.partition(": ")
        columns[name] = Column(of, group=_title(quantity), is_number=True)
    with folded("The weeks of this colony as numbers"):
        show_table(
            "colony",
            sentence("The same weeks as numbers; a week is named by its first day"),
            table,
            columns | {"visits": "Visits"},
        )
