"""The sentences and composed blocks of the documents, section by section.

Functions named ``say_…`` print; all others return Markdown in which every text from data is
escaped, or frames.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import polars as pl

from pipeline.contracts import data_dictionary, load_contracts, load_derived_contracts
from reports.blocks import say, show_figure, show_table
from reports.context import Pool
from reports.estimates import contrast_table, subgroup_table, winter_span
from reports.figures_estimates import (
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
from reports.tables import FEW, Column, has_hidden
from reports.wording import (
    LEVELS,
    OUTCOMES,
    PROBABILITY_WORDS,
    answer_sentences,
    because,
    contrast_words,
    count,
    headline_contrast,
    listed,
    markdown_text,
    number,
    sentence,
)

LEVEL_COLUMNS: Mapping[str, Column | str] = {
    "level": "Level",
    "units": "Colony-winters",
    "raw stores use": Column("raw mean", group="Stores used [kg]"),
    "model stores use": Column("model", group="Stores used [kg]"),
    "raw survival": Column("raw", group="Alive in spring [%]"),
    "model survival": Column("model", group="Alive in spring [%]"),
    "raw spring strength": Column("raw mean", group="Spring frames, dead = 0"),
    "model spring strength": Column("model", group="Spring frames, dead = 0"),
}
CONTRAST_COLUMNS: Mapping[str, Column | str] = {
    "contrast": "Contrast",
    "horizon": "Winters",
    "difference": "Difference (95 %)",
    "relative": "Relative (95 %)",
    "p_benefit": Column("Better [%]"),
    "words": "In words",
}
_BENEFIT = {
    "stores use": "Less stores used counts as better.",
    "survival": "Alive means alive with a laying queen in spring.",
    "spring strength": "Frames of bees in spring; a colony that died counts zero.",
}


def slug(text: str) -> str:
    """Make an identifier of a heading."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def few_note(pool: Pool, frame: pl.DataFrame) -> str:
    """Explain what is hidden in a table, when something is."""
    if not has_hidden(frame):
        return ""
    return f" *{FEW}* or – stands for groups of fewer than {pool.minimum_cell} members."


def who_asks(pool: Pool) -> str:
    """Name the study and the size of the pool."""
    units = pool.units
    study = pool.settings.study
    name = markdown_text(study.name)
    whose = f", {markdown_text(study.association)}" if study.association else ""
    if units.is_empty():
        size = (
            f"No colony-winter could be analysed; the records speak of "
            f"{number(pool.colony_winters.height)}, and of {number(pool.wintered.height)} they "
            "say how they ended."
        )
    else:
        size = (
            f"{count(units.height, 'colony-winter')} of "
            f"{count(units['member_id'].n_unique(), 'member')} in "
            f"{count(units['apiary_id'].n_unique(), 'apiary', 'apiaries')}, {winter_span(pool)}."
        )
    return f"**{name}**{whose}. {size}"


def say_answer(pool: Pool) -> None:
    """Print the answer, set apart."""
    text = " ".join(answer_sentences(pool.estimands, pool.parts))
    say(f"::: {{.answer}}\n{markdown_text(text)}\n:::")


def answer_caption(pool: Pool) -> str:
    """Caption of the first figure."""
    drawn = (
        "Filled: the model, with 50 % (thick) and 89 % (thin) intervals. "
        if _has_means(pool)
        else ""
    )
    return f"Each outcome by insulation level. {drawn}Open: the raw pool, not adjusted."


def _has_means(pool: Pool) -> bool:
    return pool.level_means["mean"].count() > 0


def level_caption(pool: Pool) -> str:
    """Caption of the first table."""
    return (
        "Raw counts beside the model’s estimates (89 % interval). The model’s column is what the "
        "whole pool would show with every colony at that level."
        + few_note(pool, raw_by_level(pool))
    )


def limits(pool: Pool) -> list[str]:
    """Say what the answer cannot tell, as far as this pool is concerned."""
    units = pool.units
    if units["level"].count() == 0:
        return [
            "**Insulation.** Without recorded set-ups nothing can be said of it. The figure and "
            "table show what these colonies did, whatever their hives.",
            "**Next time.** A set-up record for each colony and winter, some hives with and some "
            "without insulation in the same apiary, would let these records answer the question.",
        ]
    lot = units.filter(pl.col("assignment") == "randomised").height
    known = units["assignment"].count()
    chose = (
        f"{number(100 * lot / known)} % of the set-ups were drawn by lot; members chose the others."
        if lot
        else "Members chose the set-ups; none was drawn by lot."
    )
    unknown = {o: units.height - units[c].count() for o, c in _OUTCOME_COLUMN.items()}
    gaps = listed([f"{o} of {number(n)}" for o, n in unknown.items()])
    first = (
        f"**Cause.** {chose} The model compares hives of the same member, and adjusts for mites, "
        "cold, openings and autumn strength as recorded. It cannot see a member who gives the "
        "better box to the better colony; only a draw by lot can."
    )
    items = [
        first,
        "**Other places.** It speaks for these hives and winters. Your box, bees and winter may "
        "differ; see [the cautions](#cautions).",
    ]
    if units.height:
        items.append(
            f"**What was not reported.** Among {count(units.height, 'colony-winter')}, {gaps} "
            "are missing; [gaps by level](#missing) can tilt the answer."
        )
    return items


_OUTCOME_COLUMN = {"stores use": "stores_use_kg", "survival": "is_alive"}


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
        f"{outcome.capitalize()}: every contrast, with 95 % intervals. *Better* is the posterior "
        "probability that the first set-up did better."
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
        "Differences between levels with 50 % (thick) and 89 % intervals; the line is no "
        "difference. Grey: predicted for a new winter.",
        forest_figure(rows, names, is_new),
        forest_alt(rows, names),
    )


def say_subgroups(pool: Pool) -> None:
    """Print what subgroups carry: the headline contrast as a figure, all of them as a table."""
    table = subgroup_table(pool)
    if table.is_empty():
        say("The records carry no estimates for subgroups.")
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
    if pool.level_means.drop_nulls(["raw", "mean"]).is_empty() or hidden:
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


def probability_table() -> pl.DataFrame:
    """List the one table of probability words."""
    rows = [(word, f"at least {number(100 * least)} %") for least, word in PROBABILITY_WORDS]
    return pl.DataFrame(rows, schema=["word", "least"], orient="row")


def say_dictionary() -> None:
    """Print the data dictionary, one table a record or derived table."""
    groups = {
        "What members send": load_contracts(),
        "What is derived from it": load_derived_contracts(),
    }
    for title, contracts in groups.items():
        say(f"```{{=html}}\n<details>\n<summary>{title}</summary>\n```")
        dictionary = data_dictionary(contracts).with_columns(
            pl.when("is_private")
            .then(pl.col("description") + " (private)")
            .otherwise("description")
            .alias("description"),
            pl.when("is_required").then(pl.lit("yes")).otherwise(pl.lit("")).alias("required"),
            # a run of a dozen names or more is kept in the templates
            pl.when(pl.col("allowed").str.len_chars() > 160)
            .then(pl.col("allowed").str.slice(0, 160) + " …")
            .otherwise("allowed")
            .alias("allowed"),
        )
        for name, contract in contracts.items():
            show_table(
                f"dictionary-{slug(name)}",
                f"*{markdown_text(contract.title)}* ({markdown_text(name)}). "
                f"{markdown_text(contract.description)}",
                dictionary.filter(pl.col("table") == name),
                {
                    "column": "Column",
                    "type": "Type",
                    "unit": "Unit",
                    "required": "Required",
                    "allowed": "Allowed",
                    "description": "Meaning",
                },
            )
        say("```{=html}\n</details>\n```")


def _flat(value: object, name: str = "") -> list[tuple[str, str]]:
    if isinstance(value, dict):
        return [
            pair for key, item in value.items() for pair in _flat(item, f"{name} {key}".strip())
        ]
    if isinstance(value, list):
        return [(name.replace("_", " "), ", ".join(str(item) for item in value))]
    return [(name.replace("_", " "), str(value))]


def run_table(pool: Pool) -> pl.DataFrame:
    """List what ``run.json`` says of the fit, and the version that made this page."""
    from importlib.metadata import version

    rows = [("report made by", f"winterpool {version('winterpool')}"), *_flat(pool.run)]
    if not pool.run:
        rows.append(("fit", "no fit has been done"))
    return pl.DataFrame(rows, schema=["what", "value"], orient="row")


def file_table(pool: Pool) -> pl.DataFrame:
    """List files by digest, without their names."""
    return pool.files.sort("file_no").select(
        pl.col("file_sha256").str.slice(0, 16),
        "size_bytes",
        "status",
        "rows_accepted",
        "rows_rejected",
        "ingested_at",
    )


__all__ = [
    "CONTRAST_COLUMNS",
    "LEVEL_COLUMNS",
    "OUTCOMES",
    "answer_caption",
    "contrast_caption",
    "contrast_table",
    "coverage_sentence",
    "few_note",
    "file_table",
    "has_cold",
    "left_out_sentence",
    "level_caption",
    "limits",
    "link_sentence",
    "mite_sentence",
    "outcome_note",
    "probability_table",
    "rejected_sentence",
    "run_table",
    "say_answer",
    "say_dictionary",
    "say_forest",
    "say_loggers",
    "say_model_against_raw",
    "say_subgroups",
    "set_up_sentence",
    "slug",
    "who_asks",
]
