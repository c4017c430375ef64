"""What the page says of the payoff: the answer in words, its tables, and why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from models.estimands import ALL, THESE
from models.payoff.inputs import (
    COLONY_PRICE,
    FRAME_PRICE,
    FULL_CLOSED,
    STORES_PRICE,
    SUGAR_PRICE,
    WAGE,
    Inputs,
    say_borrowed,
    say_missing,
)
from models.payoff.net import PRICE_DRAWS
from models.payoff.quantities import QUANTITIES
from models.vocabulary import LEVELS, OUTCOMES
from pipeline.errors import ModelError, NotConvergedError, StudyError
from pipeline.payoff_step import Reckoned, reckon_study
from reports.context import Pool
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


def is_told(found: PayoffFound, level: str) -> bool:
    """Whether anything is said in money of a level."""
    return not found.table("payoff").filter(pl.col("level") == level)["mean"].is_null().all()


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
    rows = reversed(_main(found).to_dicts())
    for row in sorted(rows, key=lambda row: row["level"] == FULL_CLOSED):
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
    if is_told(found, FULL_CLOSED) and (borrowed := say_borrowed(found.inputs)):
        said.append(f"*{FULL_CLOSED}*: {markdown_text(borrowed)}")
    if found.missing:
        said.append(markdown_text(say_missing(found.missing)))
    return said


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


def plain(value: float) -> str:
    """Write a number with the decimals that its size needs; a whole one without."""
    size = abs(value)
    decimals = 0 if value == round(value) or size >= 1000 else 3 if size < 0.1 else 2
    return number(value, decimals)


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
        f"*{input_words(row['input'])}* at {plain(row['turns_at'])}{NO_BREAK}"
        f"{markdown_text(row['unit'])}"
        for row in turning.to_dicts()
    ]
    return f"{most} Within its own range the answer is turned by {listed(at, 'or')}."


def knowledge_sentence(found: PayoffFound) -> str:
    """Say what would be chosen now, and what a winter more could at most be worth."""
    table = found.table("payoff_knowledge")
    best = LEVEL_WORDS[table["best"].item(0)]
    return (
        f"With what is known now, {best} are the best choice on average. Knowing better is worth "
        "something only as far as it would change that choice, which is between levels, each hive "
        "with its top opening as it is. Winters to come are taken to be like these on average: "
        "where winters differ much, knowing is worth more. The last column "
        f"is for {FOR_COLONIES} colonies: a trial that costs much more, reckoned for all colonies "
        "whose keepers would heed it, is hardly worth its money, though it may be for other "
        "reasons."
    )


def draws_sentence(found: PayoffFound) -> str:
    """Say how many draws the figures rest on."""
    run = found.run
    return (
        f"Reckoned from {number(run['draws'])} of the {number(run['posterior_draws'])} posterior "
        f"draws, evenly spaced, each with {PRICE_DRAWS} draws of the uncertain inputs."
    )
