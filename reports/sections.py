"""The sentences and composed blocks of the sections between answer and provenance.

Functions named ``say_…`` print; all others return Markdown in which every text from data is
escaped.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from models.vocabulary import LEVELS
from reports.blocks import few_note, say, say_list, show_figure, show_table, slug
from reports.context import Pool
from reports.estimates import (
    blocked_subgroups,
    contrast_table,
    populations,
    subgroup_table,
)
from reports.figures_estimates import (
    compared_means,
    contrast_rows,
    forest_alt,
    forest_figure,
    model_against_raw_alt,
    model_against_raw_figure,
    subgroup_rows,
)
from reports.figures_pool import sensors_alt, sensors_figure
from reports.summaries import (
    apiary_cold,
    comparing_members,
    mite_loads,
    raw_by_level,
    rejections,
    sensor_positions,
    sensors_by_level,
)
from reports.tables import FEW, Column
from reports.wording import (
    because,
    contrast_words,
    count,
    headline_contrast,
    markdown_text,
    number,
    sentence,
)

CONTRAST_COLUMNS: Mapping[str, Column | str] = {
    "contrast": "Contrast",
    "horizon": "Winters",
    "difference": "Difference",
    "relative": "Relative",
    "p_benefit": Column("Better [%]", is_number=True),
    "words": "In words",
}


_BENEFIT = {
    "stores use": (
        "Kilograms of stores saved per colony, reckoned as honey: less used counts as better. "
        "*Relative* is the share of what colonies at the second level use. A colony that died "
        "before its spring weighing has no ledger: what it would have used is inferred from "
        "colonies like it."
    ),
    "survival": (
        "Alive means alive with a laying queen in spring. *Relative* is the chance of being alive "
        "at the first level divided by the chance at the second: above 1 is better."
    ),
    "spring strength": (
        "Frames of bees per colony in spring; a colony that died counts zero, so that survival is "
        "part of this number."
    ),
}


def rejected_sentence(pool: Pool) -> str:
    """Say how many rows and files were rejected."""
    rows = int(pool.files["rows_rejected"].fill_null(0).sum())
    files = pool.files.filter(pl.col("rows_accepted").fill_null(0) == 0).height
    gave = f"{number(files)} gave no row" if files else "each gave at least one row"
    read = int(pool.files["rows_read"].fill_null(0).sum())
    told = f"{count(pool.files.height, 'file')} arrived with {count(read, 'row')}; {gave}."
    if rejections(pool).is_empty():
        return f"{told} No row was rejected."
    return (
        f"{told} {count(rows, 'row')} {'was' if rows == 1 else 'were'} rejected. "
        "`winterpool check` tells file, row, column, value and how to mend each."
    )


def has_cold(pool: Pool) -> bool:
    """Whether the cold of any winter can be drawn."""
    return not apiary_cold(pool).is_empty()


def coverage_sentence(pool: Pool) -> str:
    """Say how well weather covers the units' windows."""
    units = pool.shown
    least = pool.settings.winter.minimum_weather_coverage
    known = units["degree_days_kd"].count()
    if units.is_empty():
        return ""
    if known == 0:
        return "No colony-winter has weather records that cover its window."
    rest = "; the others have no degree-days" if known < units.height else ""
    return (
        f"{number(known)} of {count(units.height, 'colony-winter')} "
        f"{'has' if known == 1 else 'have'} weather for at least {number(100 * least)} % of the "
        f"days{rest}."
    )


def full_words(pool: Pool) -> str:
    """Say what full insulation is by this study's rule."""
    return "all six surfaces" + ("" if pool.settings.levels.is_floor_counted else " but the floor")


def set_up_sentence(pool: Pool) -> str:
    """Say how many set-ups are known and who used several."""
    units = pool.colony_winters
    known = units["level"].count()
    if known == 0:
        return "**No set-ups were recorded**, so no colony-winter has an insulation level."
    several = comparing_members(pool)
    shown = number(several) if several == 0 or several >= pool.minimum_cell else FEW
    return (
        f"{number(known)} of the {count(units.height, 'colony-winter')} that records speak of "
        f"{'has' if known == 1 else 'have'} a recorded set-up. Of "
        f"{count(pool.units['member_id'].n_unique(), 'member')}, {shown} wintered hives at more "
        "than one level, in the same winter or in different ones; the comparison rests mostly on "
        "them. [Links](#links) counts them for each pair of levels."
    )


def outcome_note(outcome: str) -> str:
    """Say what counts as better."""
    return _BENEFIT[outcome]


def contrast_caption(outcome: str) -> str:
    """Caption of an outcome's table of contrasts."""
    return (
        f"{outcome.capitalize()}: every contrast, with its 95 % interval. A positive difference is "
        "better. *Better* is the probability, by the model, that the first set-up did better."
    )


def left_out_sentence(pool: Pool, outcome: str) -> str:
    """Say why an outcome has no estimates."""
    reasons = {p["part"]: p["reason"] for p in pool.parts.to_dicts() if not p["is_included"]}
    if pool.parts.is_empty():
        return "The model has not been fitted."
    return markdown_text(sentence(f"{outcome} {because(reasons.get(outcome))}"))


def say_contrasts(pool: Pool, outcome: str) -> None:
    """Print the contrasts of one outcome; what holds for all of them is said once."""
    say(f"### {outcome.capitalize()} {{#{slug(outcome)}}}")
    table = contrast_table(pool, outcome)
    if table.is_empty():
        say(left_out_sentence(pool, outcome))
        return
    words = table["words"].unique().to_list()
    if len(words) == 1 and not has_estimate(pool, outcome):
        say(markdown_text(sentence(f"every contrast of {outcome}: {words[0]}")))
        return
    columns = {name: title for name, title in CONTRAST_COLUMNS.items() if name in table.columns}
    say(outcome_note(outcome))
    show_table(slug(outcome), contrast_caption(outcome), table, columns)


def has_estimate(pool: Pool, outcome: str) -> bool:
    """Whether any contrast of an outcome has a number."""
    is_told = (pl.col("outcome") == outcome) & (pl.col("status") == "estimated")
    return not pool.estimands.filter(is_told).is_empty()


def say_forest(pool: Pool) -> None:
    """Print the figure of all overall contrasts, where there are any."""
    rows = contrast_rows(pool)
    if rows.is_empty():
        return
    is_new = (rows["horizon"] == "a new winter").to_list()
    names = [
        f"{contrast}, new" if new else contrast
        for contrast, new in zip(rows["contrast"], is_new, strict=True)
    ]
    show_figure(
        pool,
        "contrasts",
        "Differences between levels with 50 % (thick) and 95 % (thin) intervals; right of the "
        "line is better. Grey, named *new*: predicted for a new winter. Each panel has its own "
        "scale.",
        forest_figure(rows, names, is_new),
        forest_alt(rows, names),
    )


def say_populations(pool: Pool) -> None:
    """Print for which hives the estimates speak, one kind of contrast and horizon a line."""
    found = populations(pool)
    if found.is_empty():
        say("No contrast has an estimate; the reasons follow.")
        return
    lines = [
        f"*{markdown_text(row['contrast'])}, {markdown_text(row['horizon'])}.* "
        f"{markdown_text(sentence(row['population']))}"
        for row in found.to_dicts()
    ]
    say_list(lines)


def say_subgroups(pool: Pool) -> None:
    """Print what parts of the pool carry: the headline contrast as a figure, all as a table."""
    table, blocked = subgroup_table(pool), blocked_subgroups(pool)
    if table.is_empty() and not blocked:
        say("No estimates were asked of parts of the pool.")
        return
    if not table.is_empty():
        say(
            "Colony-winters are cut into thirds by how cold their place was over that winter. "
            "Where two parts differ, look at their intervals: whether the difference between "
            "parts is real was not judged, and among many comparisons some will look sure by "
            "chance."
        )
    contrast = headline_contrast(pool.estimands)
    rows = subgroup_rows(pool, contrast)
    if not rows.is_empty():
        show_figure(
            pool,
            "subgroups",
            f"{sentence(contrast_words(contrast))} Difference within each part of the pool, with "
            "50 % (thick) and 95 % (thin) intervals; right of the line is better. Each panel has "
            "its own scale.",
            forest_figure(rows, rows["subgroup"].to_list(), [False] * rows.height),
            forest_alt(rows, rows["subgroup"].to_list()),
        )
    show_table(
        "subgroups",
        "Differences within parts of the pool, these winters, with 95 % intervals. "
        "Colony-winters: those of the part whose outcome is known, at any level."
        + few_note(pool, table),
        table,
        {
            "outcome": "Outcome",
            "contrast": "Contrast",
            "subgroup": "Part",
            "n_units": Column("Colony-winters", is_number=True),
            "difference": "Difference",
            "words": "In words",
        },
    )
    if blocked:
        say("No number is given for parts of the pool here:")
        say_list([markdown_text(reason) for reason in blocked])


def link_sentence(pool: Pool) -> str:
    """Say how many pairs of levels are linked."""
    if pool.links.is_empty():
        return "No links have been counted, because no model has been fitted."
    pairs = pool.links.filter(pl.col("outcome") == "any")
    linked = int(pairs["is_linked"].sum())
    least = pool.settings.model.minimum_links
    return (
        f"{number(linked)} of {count(pairs.height, 'pair')} of levels "
        f"{'is' if linked == 1 else 'are'} linked by at least "
        f"{count(least, 'member or apiary', 'members or apiaries')}."
    )


def mite_sentence(pool: Pool) -> str:
    """Say how many colony-winters were sampled."""
    sampled = pool.shown.filter(pl.col("mite_counts_used").fill_null(0) > 0).height
    if sampled == 0:
        return "No usable mite count was recorded inside the autumn window of any colony-winter."
    drawn = " @fig-mites shows the washes and rolls." if not mite_loads(pool).is_empty() else ""
    of_all = f"{number(sampled)} of {count(pool.shown.height, 'colony-winter')}"
    return (
        f"{of_all} {'has' if sampled == 1 else 'have'} at least one count; the model infers the "
        f"loads of the others, loosely, from their member, winter and treatments.{drawn}"
    )


def _logged(pool: Pool) -> pl.DataFrame:
    return pool.shown.filter(pl.col("sensor_days").fill_null(0) > 0)


def has_loggers(pool: Pool) -> bool:
    """Whether any colony-winter has readings from inside the hive."""
    return not _logged(pool).is_empty()


def say_loggers(pool: Pool) -> None:
    """Print what loggers in the hives tell, or that there were none."""
    logged = _logged(pool)
    if logged.is_empty():
        say("No analysed colony-winter has readings of a logger in the hive.")
        return
    say(
        f"{count(logged.height, 'colony-winter')} {'has' if logged.height == 1 else 'have'} "
        "readings from inside the hive. They describe; they are not adjusted for member, mites, "
        "cold or the loggers’ positions, and days after a colony died are in them. Warmth in the "
        "hive is never used to explain an outcome, because insulation itself changes it."
    )
    by_level, positions = sensors_by_level(pool), sensor_positions(pool)
    if by_level.filter(~pl.col("is_hidden") & pl.col("level").is_in(LEVELS)).height:
        show_figure(
            pool,
            "loggers",
            "Condensation risk and temperature by insulation level; each point a colony-winter, "
            "bar: median. Condensation risk is calculated, not seen.",
            sensors_figure(pool),
            sensors_alt(pool),
        )
    show_table(
        "loggers",
        "Loggers by level; *of* counts the colony-winters behind a median. Temperature: above the "
        "cluster or under the cover, mean of the winter’s days. Condensation risk: hours in which "
        "the coldest inner surface, as calculated from the hive’s layers and the outside "
        "temperature, lay below the dew point of the hive’s air; nobody saw water, and better "
        "insulated surfaces are warmer by that calculation; *of hours* is the median of those in "
        "which it could be told. Brood onset: first day of sustained "
        "brood-nest temperature after midwinter, where one was seen." + few_note(pool, by_level),
        by_level,
        {
            "level": "Level",
            "n_units": "Colony-winters",
            "sensor_days": "Days read",
            "temperature_c": Column("median", 1, group="Temperature [°C]"),
            "n_temperature": Column("of", group="Temperature [°C]"),
            "risk_h": Column("median", group="Condensation risk [h]"),
            "measured_h": Column("of hours", group="Condensation risk [h]"),
            "n_risk": Column("of", group="Condensation risk [h]"),
            "onset": Column("median", group="Brood onset", is_number=True),
            "n_onset": Column("of", group="Brood onset"),
        },
    )
    show_table(
        "positions",
        "Means from October to April by position of the sensor, each colony-winter counted once."
        + few_note(pool, positions),
        positions,
        {
            "position": "Position",
            "level": "Level",
            "n_units": "Colony-winters",
            "temperature_c": Column("Temperature [°C]", 1),
            "humidity_pct": Column("Humidity [%]"),
        },
    )


def say_model_against_raw(pool: Pool) -> None:
    """Print model against raw means, where both are there."""
    raw = raw_by_level(pool)
    hidden = raw.filter("is_hidden")["level"].to_list()
    if compared_means(pool).is_empty() or hidden:
        why = "a level rests on few members" if hidden else "there are no estimates"
        say(f"No comparison is drawn, because {why}.")
        return
    say(
        "The raw mean is of the colonies that were kept at a level; the model says what the whole "
        "pool would show at it. They part where those who used the level differ from the others "
        "(members, places, mites, cold, openings) and, for stores, because raw means are over each "
        "colony’s own days between weighings. A gap is no proof that the model is right."
    )
    show_figure(
        pool,
        "raw",
        "The model’s mean of each level (95 % interval) against the raw mean; on the dashed line "
        "both agree. Each panel has its own scale.",
        model_against_raw_figure(pool),
        model_against_raw_alt(pool),
    )
