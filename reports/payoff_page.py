"""What the page says of the payoff: the answer in words, its tables, and why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from models.estimands import ALL, THESE
from models.payoff.inputs import (
    COLONY_PRICE,
    FRAME_PRICE,
    LIFETIME,
    RATE,
    STORES_PRICE,
    SUGAR_PRICE,
    WAGE,
    Inputs,
    say_missing,
)
from models.payoff.money import present_worth
from models.payoff.net import MATERIAL, PRICE_DRAWS, WORK
from models.payoff.quantities import DEATHS, FRAMES, QUANTITIES, SAVED
from models.vocabulary import LEVELS, OUTCOMES
from pipeline.errors import ModelError, NotConvergedError, StudyError
from pipeline.payoff_step import Reckoned, reckon_study
from reports.context import Pool
from reports.tables import Column
from reports.verdict import judge, load_checks
from reports.wording import (
    LEVEL_WORDS,
    NO_BREAK,
    chance,
    count,
    listed,
    markdown_text,
    number,
    sentence,
    signed,
)

FOR_COLONIES = 100
"""Colonies for which the worth of knowing is told."""

PRICES = (STORES_PRICE, SUGAR_PRICE, FRAME_PRICE, COLONY_PRICE, WAGE)
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


@dataclass(frozen=True, slots=True)
class PayoffFound:
    """The payoff of a study, or in Markdown why there is none."""

    reckoned: Reckoned | None
    why_not: str = ""

    @property
    def _there(self) -> Reckoned:
        if self.reckoned is None:
            raise LookupError(self.why_not)
        return self.reckoned

    @property
    def currency(self) -> str:
        """Code of the currency: three capitals."""
        return self._there.payoff.currency

    @property
    def inputs(self) -> Inputs:
        """What was reckoned with."""
        return self._there.inputs

    @property
    def missing(self) -> list[str]:
        """Prices that nobody gave."""
        return self._there.payoff.missing

    @property
    def run(self) -> dict[str, Any]:
        """``payoff_run.json``."""
        return self._there.run

    def table(self, name: str) -> pl.DataFrame:
        """Return one table of the payoff."""
        return self._there.payoff.tables[name]


def load_payoff(pool: Pool) -> PayoffFound:
    """Take the payoff of what is there now: kept if it is current, else reckoned anew."""
    try:
        reckoned, _ = reckon_study(pool.study, pool.settings)
    except NotConvergedError:
        return PayoffFound(
            None, "The sampler did not converge, so there are no effects to price and no money."
        )
    except (StudyError, ModelError) as error:
        return PayoffFound(None, f"{markdown_text(error.problem)} {markdown_text(error.mend)}")
    return PayoffFound(reckoned)


def _main(found: PayoffFound) -> pl.DataFrame:
    return found.table("payoff").filter(pl.col("subgroup") == ALL, pl.col("horizon") == THESE)


def main_level(found: PayoffFound) -> str:
    """The fullest level whose net benefit is known; empty when there is none."""
    known = set(_main(found).drop_nulls("mean")["level"])
    return next((level for level in reversed(LEVELS) if level in known), "")


def third_name(row: dict) -> str:
    """Name a third by cold as a row's heading does."""
    return str(row["subgroup"].split(": ")[-1])


def input_words(name: str) -> str:
    """Say what kind of input a name belongs to."""
    if name in QUANTITIES:
        return f"effect: {name}"
    if name in PRICES or name.startswith("insulation "):
        return f"price: {name}"
    return name.replace("hours ", "hours a winter, ")


def _pays(pool: Pool, p_pays: float) -> tuple[str, bool]:
    """Word a probability of paying; weaker when a check of any outcome failed."""
    checks = load_checks(pool)
    judged = [judge(p_pays, outcome, checks) for outcome in OUTCOMES]
    seen = next((own for own in judged if own.weakened_by), judged[0])
    if not seen.verdict.direction:
        return "It is unclear whether that pays", bool(seen.weakened_by)
    pays = "pays" if seen.verdict.direction > 0 else "does not pay"
    return f"That {seen.verdict.word} {pays}", bool(seen.weakened_by)


def _when(row: dict) -> str:
    never = f"with {chance(row['p_never'])}{NO_BREAK}% it never does before it is worn out"
    if row["break_even_q50"] is None:
        return f"more likely than not it does not pay back its cost; {never}"
    winters = count(int(row["break_even_q50"]), "winter")
    return f"it has as likely as not paid back its cost after {winters}; {never}"


def payoff_sentences(pool: Pool, found: PayoffFound) -> list[str]:
    """Say what each level brings, how sure that is, and when it has paid."""
    said, is_weaker = [], False
    for row in reversed(_main(found).to_dicts()):
        who = LEVEL_WORDS[row["level"]]
        if row["mean"] is None:
            said.append(
                f"Of {who} nothing is said in money ({row['status']}): "
                f"{sentence(markdown_text(row['reason']))}"
            )
            continue
        low, high = signed(row["q2.5"], 1), signed(row["q97.5"], 1)
        pays, is_weakened = _pays(pool, row["p_pays"])
        is_weaker |= is_weakened
        said.append(
            f"Against none, {who} brought {signed(row['mean'], 1)}{NO_BREAK}{found.currency} a "
            f"colony and winter (95{NO_BREAK}% interval {low} to {high}). {pays} "
            f"(probability {chance(row['p_pays'])}{NO_BREAK}%): {_when(row)}."
        )
    if is_weaker:
        said.append(
            "The words for probabilities are one step weaker than the numbers alone would have "
            "them, because a [check of the answer](#fragility) failed."
        )
    if found.missing:
        said.append(markdown_text(say_missing(found.missing)))
    return said


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
                "winters": "–" if not is_known else "never" if median is None else number(median),
                "never": chance(row["p_never"]),
            }
        )
    return pl.DataFrame(rows, dict.fromkeys(PAYOFF_COLUMNS, pl.String))


def reasons(found: PayoffFound) -> list[str]:
    """Say why some net benefits of subgroups are not told, each reason once."""
    rows = found.table("payoff").filter(
        pl.col("mean").is_null() & ((pl.col("subgroup") != ALL) | (pl.col("horizon") != THESE))
    )
    by_reason: dict[str, list[str]] = {}
    for row in rows.to_dicts():
        by_reason.setdefault(row["reason"], []).append(row["level"])
    return [
        f"*{listed(list(dict.fromkeys(levels)))}*: {sentence(markdown_text(reason))}"
        for reason, levels in by_reason.items()
    ]


def _plain(value: float) -> str:
    """Write a number with the decimals that its size needs; a whole one without."""
    size = abs(value)
    decimals = 0 if value == round(value) or size >= 1000 else 3 if size < 0.1 else 2
    return number(value, decimals)


def _span(row: dict) -> str:
    return "–" if row["low"] == row["high"] else f"{_plain(row['low'])} to {_plain(row['high'])}"


def part_cells(found: PayoffFound) -> pl.DataFrame:
    """What each level's net benefit is made of, as text."""
    rows = []
    for row in found.table("payoff_parts").to_dicts():
        money = str(row["status"])
        if row["mean"] is not None:
            low, high = signed(row["q2.5"], 1), signed(row["q97.5"], 1)
            money = f"{signed(row['mean'], 1)} ({low} to {high})"
        amount = "–" if row["amount"] is None else f"{_plain(row['amount'])} {row['unit']}"
        words = PART_WORDS[row["part"]]
        rows.append({"level": row["level"], "words": words, "amount": amount, "money": money})
    return pl.DataFrame(rows, dict.fromkeys(PART_COLUMNS, pl.String))


def input_cells(found: PayoffFound) -> pl.DataFrame:
    """All numbers that the payoff was reckoned with, as text."""
    rows = [
        {
            **row,
            "input": input_words(row["input"]),
            "value": _plain(row["value"]),
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
            "value": _plain(row["value"]),
            "span": _span(row),
            "net_span": f"{signed(row['net_low'], 1)} to {signed(row['net_high'], 1)}",
            "turns": "nowhere" if row["turns_at"] is None else _plain(row["turns_at"]),
            "unit": row["unit"],
        }
        for row in table.to_dicts()
    ]
    return pl.DataFrame(rows, dict.fromkeys(TURN_COLUMNS, pl.String))


def turn_sentence(found: PayoffFound) -> str:
    """Say which single inputs turn the main level's answer within their own range."""
    level = main_level(found)
    table = found.table("payoff_one_way").filter(pl.col("level") == level)
    turning = table.filter("is_turn_in_range")
    first = input_words(table["input"].item(0))
    most = f"What moves the net benefit of {LEVEL_WORDS[level]} furthest is *{first}*."
    if turning.is_empty():
        return f"{most} No single input turns the answer while it stays within its own range."
    at = [
        f"*{input_words(row['input'])}* at {_plain(row['turns_at'])}{NO_BREAK}"
        f"{markdown_text(row['unit'])}"
        for row in turning.to_dicts()
    ]
    return f"{most} Within its own range the answer is turned by {listed(at, 'or')}."


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


def knowledge_sentence(found: PayoffFound) -> str:
    """Say what would be chosen now, and what a winter more could at most be worth."""
    table = found.table("payoff_knowledge")
    best = LEVEL_WORDS[table["best"].item(0)]
    return (
        f"With what is known now, {best} are the best choice on average. Knowing better is worth "
        f"something only as far as it would change that choice. The last column is for "
        f"{FOR_COLONIES} colonies: a trial that costs more, reckoned for all colonies whose "
        "keepers would heed it, is not worth its money, though it may be for other reasons."
    )


def draws_sentence(found: PayoffFound) -> str:
    """Say how many draws the figures rest on."""
    run = found.run
    return (
        f"Reckoned from {number(run['draws'])} of the {number(run['posterior_draws'])} posterior "
        f"draws, evenly spaced, each with {PRICE_DRAWS} draws of the uncertain inputs."
    )
