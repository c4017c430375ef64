"""The sentences and composed blocks of the sections between answer and provenance.

Functions named ``say_…`` print; all others return Markdown in which every text from data is
escaped.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from reports.blocks import few_note, say, say_list, show_figure, show_table
from reports.context import Pool
from reports.estimates import blocked_reasons, subgroup_table
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
    LEVELS,
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
    "difference": "Difference (95 %)",
    "relative": "Relative (95 %)",
    "p_benefit": Column("Better [%]"),
    "words": "In words",
}


_BENEFIT = {
    "stores use": "Kilograms saved: less stores used counts as better.",
    "survival": "Alive means alive with a laying queen in spring.",
    "spring strength": "Frames of bees in spring; a colony that died counts zero.",
}


def rejected_sentence(pool: Pool) -> str:
    """Say how many rows and files were rejected."""
    rows = int(pool.records["rejected"].sum())
    files = pool.files.filter(pl.col("rows_accepted").fill_null(0) == 0).height
    told = f"{count(pool.files.height, 'file')} arrived; {number(files)} gave no row."
    if rejections(pool).is_empty():
        return f"{told} No row was rejected."
    return (
        f"{told} {count(rows, 'row')} {'was' if rows == 1 else 'were'} rejected. "
        "`winterpool check` tells file, row, column, value and how to mend each."
    )


def has_cold(pool: Pool) -> bool:
    """Whether any unit has degree-days."""
    return apiary_cold(pool)["cold"].count() > 0


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
        f"{number(known)} of {count(units.height, 'colony-winter')} have weather for at least "
        f"{number(100 * least)} % of their days{rest}."
    )


def set_up_sentence(pool: Pool) -> str:
    """Say how many set-ups are known and who used several."""
    units = pool.shown
    known = units["level"].count()
    if known == 0:
        return "**No set-ups were recorded**, so no colony-winter has an insulation level."
    several = comparing_members(pool)
    shown = number(several) if several == 0 or several >= pool.minimum_cell else FEW
    return (
        f"{number(known)} of {count(units.height, 'colony-winter')} have a recorded set-up. Of "
        f"{count(units['member_id'].n_unique(), 'member')}, {shown} wintered hives at more than "
        "one level; the comparison rests on them."
    )


def outcome_note(outcome: str) -> str:
    """Say what counts as better."""
    return _BENEFIT[outcome]


def contrast_caption(outcome: str) -> str:
    """Caption of an outcome's table of contrasts."""
    return (
        f"{outcome.capitalize()}: every contrast, with 95 % intervals. Positive is better. "
        "*Better* is the posterior probability that the first set-up did better."
    )


def left_out_sentence(pool: Pool, outcome: str) -> str:
    """Say why an outcome has no estimates."""
    reasons = {p["part"]: p["reason"] for p in pool.parts.to_dicts() if not p["is_included"]}
    if pool.parts.is_empty():
        return "The model has not been fitted."
    return markdown_text(sentence(f"{outcome} {because(reasons.get(outcome))}"))


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
        "Differences between levels with 50 % (thick) and 89 % intervals; right of the line is "
        "better. Grey: predicted for a new winter.",
        forest_figure(rows, names, is_new),
        forest_alt(rows, names),
    )


def say_subgroups(pool: Pool) -> None:
    """Print what subgroups carry: the headline contrast as a figure, all of them as a table."""
    table = subgroup_table(pool)
    if table.is_empty():
        say("No estimates were asked of parts of the pool.")
        return
    if blocked_reasons(pool) and not (table["status"] == "estimated").any():
        say("The records carry no estimates for parts of the pool:")
        say_list([markdown_text(reason) for reason in blocked_reasons(pool)])
        return
    contrast = headline_contrast(pool.estimands)
    rows = subgroup_rows(pool, contrast)
    if not rows.is_empty():
        names = rows["subgroup"].to_list()
        show_figure(
            pool,
            "subgroups",
            f"{sentence(contrast_words(contrast))} Difference within each part of the pool.",
            forest_figure(rows, names, [False] * rows.height),
            forest_alt(rows, names),
        )
    show_table(
        "subgroups",
        "Differences within parts of the pool, these winters, with 95 % intervals. Each part has "
        "fewer colonies, so expect wider intervals.",
        table,
        {
            "subgroup": "Part",
            "outcome": "Outcome",
            "contrast": "Contrast",
            "difference": "Difference (95 %)",
            "words": "In words",
        },
    )


def link_sentence(pool: Pool) -> str:
    """Say how many pairs of levels are linked."""
    if pool.links.is_empty():
        return "No links have been counted, because no model has been fitted."
    linked = int(pool.links["is_linked"].sum())
    least = pool.settings.model.minimum_links
    return (
        f"{number(linked)} of {count(pool.links.height, 'pair')} of levels are linked by at least "
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
        f"{of_all} have at least one count; the loads of the others follow from their member, "
        f"winter and treatments.{drawn}"
    )


def say_loggers(pool: Pool) -> None:
    """Print what loggers in the hives tell, or that there were none."""
    logged = pool.shown.filter(pl.col("sensor_days").fill_null(0) > 0)
    if logged.is_empty():
        say("No analysed colony-winter has readings of a logger in the hive.")
        return
    say(
        f"{count(logged.height, 'colony-winter')} have readings from inside the hive. They "
        "describe; they are not adjusted for member, mites or cold, and warmth in the hive is "
        "never used to explain an outcome, because insulation itself changes it."
    )
    by_level, positions = sensors_by_level(pool), sensor_positions(pool)
    if by_level.filter(~pl.col("is_hidden") & pl.col("level").is_in(LEVELS)).height:
        show_figure(
            pool,
            "loggers",
            "Condensation risk and warmth by insulation level; each point a colony-winter, bar: "
            "median.",
            sensors_figure(pool),
            sensors_alt(pool),
        )
    show_table(
        "loggers",
        "Loggers by level. Condensation risk: hours in which the coldest inner surface lay below "
        "the dew point of the hive’s air. Brood onset: median first day of sustained brood-nest "
        "temperature after midwinter." + few_note(pool, by_level),
        by_level,
        {
            "level": "Level",
            "n_units": "Colony-winters",
            "sensor_days": "Days",
            "in_hive_temperature_mean_c": Column("Mean [°C]", 1),
            "condensation_risk_h": Column("Condensation risk, median [h]"),
            "onset": "Brood onset",
            "n_onset": "of colony-winters",
        },
    )
    show_table(
        "positions",
        "Means from October to April by position of the sensor." + few_note(pool, positions),
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
        "The model adjusts for member, apiary, winter, mites, cold and openings. Where it stands "
        "far from the dashed line, those who used a level differ from the others, and the raw mean "
        "would mislead."
    )
    show_figure(
        pool,
        "raw",
        "The model’s mean of each level (89 % interval) against the raw mean; on the dashed line "
        "both agree.",
        model_against_raw_figure(pool),
        model_against_raw_alt(pool),
    )
