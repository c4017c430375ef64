"""Tables of the payoff's page: every cell as text, few members hidden."""

from __future__ import annotations

import polars as pl

from models.estimands import THESE
from models.payoff.inputs import LIFETIME, RATE
from models.payoff.money import present_worth
from models.payoff.net import MATERIAL, WORK
from models.payoff.quantities import DEATHS, FRAMES, SAVED
from models.vocabulary import LEVELS
from pipeline.store import Store
from reports.context import Pool
from reports.payoff_page import FOR_COLONIES, PayoffFound, input_words, main_level, plain
from reports.tables import Column, hide_small
from reports.wording import chance, number, signed

PART_WORDS = {
    SAVED: "stores saved by colonies that live either way",
    DEATHS: "deaths avoided, at the price of a replacement",
    FRAMES: "spring frames, less those that replacements bring",
    MATERIAL: "material, as a yearly sum over its lifetime",
    WORK: "work each winter",
}
PAYOFF_COLUMNS: dict[str, Column | str] = {
    "level": "Level",
    "whom": "For",
    "net": Column("Net benefit", is_number=True),
    "span": Column("95 % interval", is_number=True),
    "pays": Column("Pays [%]", is_number=True),
    "winters": Column("Winters to break even", is_number=True),
    "never": Column("Never [%]", is_number=True),
}
PART_COLUMNS: dict[str, Column | str] = {
    "level": "Level",
    "words": "Part",
    "amount": Column("Amount", is_number=True),
    "money": Column("Money (95 %)", is_number=True),
}
INPUT_COLUMNS: dict[str, Column | str] = {
    "input": "Reckoned with",
    "value": Column("Value", is_number=True),
    "span": Column("Range", is_number=True),
    "unit": "Unit",
    "source": "Given by",
}
TURN_COLUMNS: dict[str, Column | str] = {
    "input": "Input",
    "value": Column("As given", is_number=True),
    "span": Column("Moved over", is_number=True),
    "net_span": Column("Net benefit then", is_number=True),
    "turns": Column("Turns at", is_number=True),
    "unit": "Unit",
}
KNOWLEDGE_COLUMNS: dict[str, Column | str] = {
    "words": "Knowing",
    "value": Column("A colony and winter", 2),
    "whole": Column(f"{FOR_COLONIES} colonies, one lifetime"),
}
RECORDED_COLUMNS: dict[str, Column | str] = {
    "level": "Level",
    "n_units": Column("Colony-winters"),
    "work_h": Column("Work [h], median", 2),
    "material_cost": Column("Material, median", 2),
}


def payoff_cells(found: PayoffFound) -> pl.DataFrame:
    """Net benefits by level, for all, a new winter and the thirds by cold, as text."""
    rows = []
    for row in found.table("payoff").to_dicts():
        is_known = row["mean"] is not None
        median = row["break_even_q50"]
        rows.append(
            {
                "level": row["level"],
                "whom": row["subgroup"] if row["horizon"] == THESE else row["horizon"],
                "net": signed(row["mean"], 1) if is_known else row["status"],
                "span": f"{signed(row['q2.5'], 1)} to {signed(row['q97.5'], 1)}"
                if is_known
                else "–",
                "pays": chance(row["p_pays"]),
                "winters": "–"
                if row["p_never"] is None
                else ("never" if median is None else number(median)),
                "never": chance(row["p_never"]),
            }
        )
    return pl.DataFrame(rows, dict.fromkeys(PAYOFF_COLUMNS, pl.String))


def _span(row: dict) -> str:
    return "–" if row["low"] == row["high"] else f"{plain(row['low'])} to {plain(row['high'])}"


def part_cells(found: PayoffFound) -> pl.DataFrame:
    """What each level's net benefit is made of, as text."""
    rows = []
    for row in found.table("payoff_parts").to_dicts():
        money = str(row["status"])
        if row["mean"] is not None:
            low, high = signed(row["q2.5"], 1), signed(row["q97.5"], 1)
            money = f"{signed(row['mean'], 1)} ({low} to {high})"
        amount = "–" if row["amount"] is None else f"{plain(row['amount'])} {row['unit']}"
        words = PART_WORDS[row["part"]]
        rows.append({"level": row["level"], "words": words, "amount": amount, "money": money})
    return pl.DataFrame(rows, dict.fromkeys(PART_COLUMNS, pl.String))


def input_cells(found: PayoffFound) -> pl.DataFrame:
    """All numbers that the payoff was reckoned with, as text."""
    rows = [
        {
            **row,
            "input": input_words(row["input"]),
            "value": plain(row["value"]),
            "span": _span(row),
        }
        for row in found.table("payoff_inputs").to_dicts()
    ]
    return pl.DataFrame(
        [{k: row[k] for k in INPUT_COLUMNS} for row in rows],
        dict.fromkeys(INPUT_COLUMNS, pl.String),
    )


def turn_cells(found: PayoffFound) -> pl.DataFrame:
    """Where each single input turns the main level's answer, as text."""
    table = found.table("payoff_one_way").filter(pl.col("level") == main_level(found))
    rows = [
        {
            "input": input_words(row["input"]),
            "value": plain(row["value"]),
            "span": _span(row),
            "net_span": f"{signed(row['net_low'], 1)} to {signed(row['net_high'], 1)}",
            "turns": "nowhere" if row["turns_at"] is None else plain(row["turns_at"]),
            "unit": row["unit"],
        }
        for row in table.to_dicts()
    ]
    return pl.DataFrame(rows, dict.fromkeys(TURN_COLUMNS, pl.String))


def _knowing(row: dict) -> str:
    if row["colonies"] is None:
        return f"all about {row['of']}, for sure"
    return f"what one more winter of {number(row['colonies'])} colonies would tell"


def knowledge_cells(found: PayoffFound) -> pl.DataFrame:
    """What knowing better is worth, a colony-winter and for many over a lifetime."""
    given = found.inputs.given
    winters = float(present_worth(given[RATE].value, given[LIFETIME].value))
    rows = [
        (_knowing(row), row["value"], FOR_COLONIES * winters * row["value"])
        for row in found.table("payoff_knowledge").to_dicts()
    ]
    schema = {"words": pl.String, "value": pl.Float64, "whole": pl.Float64}
    return pl.DataFrame(rows, schema, orient="row")


def recorded_costs(pool: Pool) -> pl.DataFrame:
    """What members wrote of work and material in their set-ups, by level, beside the prices.

    Returns
    -------
    polars.DataFrame
        level, n_units, work_h and material_cost (medians), ``is_hidden`` where few members.
    """
    with Store.open(pool.study.store_path, read_only=True) as store:
        set_ups = store.table("set_ups").select("colony_id", "winter", "material_cost", "work_h")
    told = set_ups.filter(
        pl.col("material_cost").is_not_null() | pl.col("work_h").is_not_null()
    ).join(
        pool.units.select("colony_id", "winter", "member_id", "level"), on=["colony_id", "winter"]
    )
    order = {level: k for k, level in enumerate(LEVELS)}
    by_level = (
        told.drop_nulls("level")
        .group_by("level")
        .agg(
            n_units=pl.len(),
            n_members=pl.col("member_id").n_unique(),
            work_h=pl.col("work_h").median(),
            material_cost=pl.col("material_cost").median(),
        )
        .sort(pl.col("level").replace_strict(order, return_dtype=pl.Int64))
    )
    return hide_small(by_level, ["n_units", "work_h", "material_cost"], minimum=pool.minimum_cell)
