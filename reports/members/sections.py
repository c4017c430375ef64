"""The parts of a member's page, one a topic, each with what it means and one figure."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.html_pages import paragraph, table
from pipeline.languages import Words
from reports.members.compare import (
    Records,
    ShareRow,
    WinterRow,
    compare,
    compare_loggers,
    compare_shares,
)
from reports.members.figures import dots_figure, figure_html, loggers_figure, shares_figure


@dataclass(frozen=True, slots=True)
class Topic:
    """A quantity of each colony-winter: its phrases' key, column, unit, decimals and caution."""

    key: str
    column: str
    unit: str
    decimals: int
    caution: str = ""


TOPICS = (
    Topic("stores", "stores_use_kg", "kg", 1, "lifting"),
    Topic("autumn", "autumn_strength_frames", "frames", 1),
    Topic("mites", "mites_per_100_bees", "", 1, "mites"),
    Topic("spring", "spring_strength_frames", "frames", 1, "cold_opening"),
    Topic("cold", "cold_kd_per_day", "K", 1),
    Topic("moisture", "condensation_risk_h", "h", 0, "entrance"),
)
LOGGED = (("temperature", "temperature_mean_c", "degC"), ("humidity", "humidity_mean_pct", "%"))


def values_of(records: Records, topic: Topic) -> pl.DataFrame:
    """Values of a topic, one a colony-winter; of the cold one an apiary-winter."""
    values = records.units.select("member_id", "apiary_id", "winter", value=topic.column)
    if topic.key == "cold":
        keys = ["member_id", "apiary_id", "winter"]
        return values.group_by(keys).agg(pl.col("value").mean()).sort(keys)
    return values


def caution(key: str, w: Words) -> list[str]:
    """Say how not to get hurt; nothing for a topic that hurts nobody."""
    if not key:
        return []
    return [f'<div class="caution">{paragraph(w(f"caution.{key}"))}</div>']


def few_sentence(rows: list[WinterRow] | list[ShareRow], minimum: int, w: Words) -> list[str]:
    """Say in which winters the others are hidden, and why."""
    hidden = [w.winter(row.winter) for row in rows if row.others is None]
    if not hidden:
        return []
    is_all = len(hidden) == len(rows)
    scope = w("member.few_all") if is_all else w("member.few_some", winters=", ".join(hidden))
    return [paragraph(w("member.few", scope=scope, minimum=minimum))]


def _own_words(values: tuple[float, ...], topic: Topic, w: Words) -> str:
    return "; ".join(w.number(value, topic.decimals) for value in values)


def dots_alt(rows: list[WinterRow], topic: Topic, w: Words) -> str:
    """Say what the figure of a topic shows."""
    said = []
    for row in rows:
        others = w("member.others_hidden")
        if row.others:
            shown = {
                n: w.number(getattr(row.others, n), topic.decimals)
                for n in ("median", "low", "high")
            }
            others = w("member.alt_others", **shown)
        own = _own_words(row.own, topic, w)
        said.append(w("member.alt_row", winter=w.winter(row.winter), own=own, others=others))
    return w("member.alt_dots", topic=_axis(topic, w), rows=" ".join(said))


def _axis(topic: Topic, w: Words) -> str:
    unit = w.unit(topic.unit)
    is_told = not unit or unit in w(f"axis.{topic.key}").casefold() or topic.key in ("moisture",)
    return w(f"axis.{topic.key}") + ("" if is_told else f" [{unit}]")


def topic_section(
    records: Records, member: str, topic: Topic, w: Words, invented: str
) -> list[str]:
    """Write the section of a quantity that dots can show."""
    pool = records.pool
    base = w.quantity(pool.settings.winter.degree_day_base_c, "degC")
    about = w(f"topic.{topic.key}_about", **({"base": base} if topic.key == "cold" else {}))
    parts = [f"<h2>{w(f'topic.{topic.key}')}</h2>", paragraph(about)]
    rows = compare(values_of(records, topic), member, pool.minimum_cell)
    if not rows:
        return [*parts, paragraph(w("member.nothing")), *caution(topic.caution, w)]
    has_band = any(row.others for row in rows)
    caption = w("member.how_to_read" if has_band else "member.how_to_read_few")
    figure = dots_figure(rows, _axis(topic, w), w)
    parts += few_sentence(rows, pool.minimum_cell, w)
    parts.append(figure_html(figure, dots_alt(rows, topic, w), caption, invented))
    if topic.key == "moisture":
        parts.append(paragraph(measured_sentence(records, member, topic, w)))
    return [*parts, *caution(topic.caution, w)]


def measured_sentence(records: Records, member: str, topic: Topic, w: Words) -> str:
    """Say of how many measured hours each of the member's own counts is."""
    own = records.units.filter(pl.col("member_id") == member, pl.col(topic.column).is_not_null())
    told = [
        w(
            "topic.moisture_of_one",
            colony=row["colony_id"],
            winter=w.winter(row["winter"]),
            share=value_words(row, topic, w),
        )
        for row in own.to_dicts()
    ]
    return w("topic.moisture_of", values="; ".join(told))


def value_words(row: dict[str, object], topic: Topic, w: Words) -> str | None:
    """Write a colony-winter's value; hours at risk with those in which it could be told."""
    value = row[topic.column]
    if value is None:
        return None
    shown = w.number(value, topic.decimals)  # type: ignore[arg-type]
    measured = row["condensation_measured_h"] if topic.key == "moisture" else None
    return w("member.n_of", k=shown, n=w.number(measured)) if measured else shown  # type: ignore[arg-type]


def survival_section(records: Records, member: str, w: Words, invented: str) -> list[str]:
    """Write the section on colonies that came through."""
    minimum = records.pool.minimum_cell
    parts = [f"<h2>{w('topic.survival')}</h2>", paragraph(w("topic.survival_about"))]
    rows = compare_shares(records.units, member, minimum)
    if not rows:
        return [*parts, paragraph(w("member.nothing"))]
    said = []
    for row in rows:
        own = w("member.n_of", k=row.k, n=row.n)
        others = (
            w("member.others_hidden") if row.others is None else w.quantity(100 * row.others, "%")
        )
        said.append(w("member.alt_row", winter=w.winter(row.winter), own=own, others=others))
    alt = w("member.alt_dots", topic=w("axis.survival"), rows=" ".join(said))
    figure = shares_figure(rows, w("axis.survival"), w)
    parts += few_sentence(rows, minimum, w)
    parts.append(figure_html(figure, alt, w("member.how_to_read_shares"), invented))
    return [*parts, *caution("disease", w)]


def logger_sections(records: Records, member: str, w: Words, invented: str) -> list[str]:
    """Write the sections on the air in the member's logged hives."""
    parts: list[str] = []
    minimum = records.pool.minimum_cell
    for key, column, unit in LOGGED:
        parts.append(f"<h2>{w(f'topic.{key}')}</h2>")
        lines = compare_loggers(records, member, column, minimum)
        if lines is None:
            parts.append(paragraph(w("topic.no_loggers")))
            continue
        winter = w.winter(lines.winter)
        parts.append(paragraph(w(f"topic.{key}_about", winter=winter)))
        hidden = [w.word(place) for place, weeks in lines.others.items() if weeks.is_empty()]
        if hidden:
            scope = w("member.few_some", winters=f"{winter} ({', '.join(hidden)})")
            parts.append(paragraph(w("member.few", scope=scope, minimum=minimum)))
        told = [
            w(
                "topic.alt_line",
                name=f"{colony}, {w.word(position)}",
                low=w.quantity(float(line["value"].min()), unit, 1),  # type: ignore[arg-type]
                high=w.quantity(float(line["value"].max()), unit, 1),  # type: ignore[arg-type]
                mean=w.quantity(float(line["value"].mean()), unit, 1),  # type: ignore[arg-type]
            )
            for position, own in lines.own.items()
            for colony, line in own.items()
        ]
        label = f"{w(f'axis.{key}')} [{w.unit(unit)}]"
        alt = w("topic.alt_logger", topic=w(f"topic.{key}"), winter=winter, lines=" ".join(told))
        caption = w("topic.logger_band" if lines.has_others else "topic.logger_lines")
        parts.append(figure_html(loggers_figure(lines, label, w), alt, caption, invented))
    return parts


def glance_table(records: Records, member: str, w: Words) -> str:
    """Write the first table: medians of the member's and the others', winter by winter."""
    minimum = records.pool.minimum_cell
    hidden = w("member.others_hidden")
    rows: list[tuple[object, ...]] = []
    for share in compare_shares(records.units, member, minimum):
        others = hidden if share.others is None else w.quantity(100 * share.others, "%")
        own = w("member.n_of", k=share.k, n=share.n)
        rows.append((w("axis.survival"), w.winter(share.winter), own, others))
    for topic in TOPICS:
        for row in compare(values_of(records, topic), member, minimum):
            median = float(pl.Series(row.own).median() or 0)  # type: ignore[arg-type]
            other = w.number(row.others.median, topic.decimals) if row.others else hidden
            own = w.number(median, topic.decimals)
            rows.append((_axis(topic, w), w.winter(row.winter), own, other))
    headings = tuple(w(f"member.{key}") for key in ("what", "winter", "yours", "others"))
    caption = w("member.glance_caption")
    return table(headings, rows, caption=caption, numbers=frozenset({2, 3}), tied=frozenset({1}))


def records_table(records: Records, member: str, w: Words) -> str:
    """Write the last table: each of the member's colony-winters as it was used."""
    shown = ("stores", "autumn", "mites", "spring", "moisture")
    topics = [next(t for t in TOPICS if t.key == key) for key in shown]
    rows = [
        (
            row["colony_id"],
            w.winter(row["winter"]),
            row["apiary_id"],
            w.word(row["level"]) if row["level"] else w("member.not_known"),
            w.word(row["state"]) if row["state"] else w("member.not_known"),
            *(value_words(row, t, w) for t in topics),
        )
        for row in records.units.filter(pl.col("member_id") == member).to_dicts()
    ]
    names = ("colony", "winter", "apiary", "level", "state")
    headings = [*(w(f"member.{name}") for name in names), *(_axis(t, w) for t in topics)]
    numbers = frozenset(range(len(names), len(headings)))
    return table(
        headings, rows, caption=w("member.records_caption"), numbers=numbers, tied=frozenset({0, 1})
    )
