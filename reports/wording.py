"""Numbers to words: the one table of probability words, number formats, the answer's sentences.

Everything here returns plain text. Text that goes into a document's prose passes
``markdown_text`` first, so that nothing a member wrote can be read as markup.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from models.vocabulary import ONLY_LIVING, OUTCOMES
from pipeline.languages import DEFAULT, words

# Probability that the insulated hives did better (or worse) -> the words used everywhere.
PROBABILITY_WORDS: tuple[tuple[float, str], ...] = (
    (0.99, "almost certainly"),
    (0.95, "very likely"),
    (0.80, "probably"),
)

LEVEL_WORDS = {
    "none": "hives without insulation",
    "top": "hives insulated on top only",
    "partial": "partly insulated hives",
    "full": "fully insulated hives",
    "full closed": "fully insulated hives with the top opening closed",
}

# Contrasts in the order in which one of them becomes the headline.
HEADLINE_CONTRASTS = ("full vs none", "full closed vs none", "partial vs none", "top vs none")

OUTCOME_CLAUSES = {
    "stores use": ("used less of their stores", "used more of their stores"),
    "survival": ("came through winter more often", "came through winter less often"),
    "spring strength": ("had more bees in spring", "had fewer bees in spring"),
}

# A positive difference is a benefit, in every outcome.
GAINS = {"stores use": "saved", "survival": "gained", "spring strength": "gained"}

NO_BREAK = "\u00a0"

# Rules of the contracts and of the way in, as a member would say them.
RULE_WORDS = words(DEFAULT).section("rules")

_UNIT_WORDS = {"pp": "percentage points", "points": "percentage points"}
_DECIMALS = {"kg": 1, "frames": 1, "%": 0, "percentage points": 1, "": 2, "ratio": 2}
_SPACES = re.compile(rf"[^\S{NO_BREAK}\u202f]+")
_MARKDOWN = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~^$@:=\"'])")


def one_line(text: object) -> str:
    """Put text on one line; spaces that must not break stay.

    Examples
    --------
    >>> one_line(" a\\n b ")
    'a b'
    """
    return _SPACES.sub(" ", str(text)).strip()


def markdown_text(text: object) -> str:
    """Escape text from data so that Markdown shows it as it is written.

    Examples
    --------
    >>> print(markdown_text("<b>"))
    \\<b\\>
    """
    return _MARKDOWN.sub(r"\\\1", one_line(text))


def unit_words(unit: str | None) -> str:
    """Spell a unit as a reader says it."""
    return _UNIT_WORDS.get(unit or "", unit or "")


def number(value: float | int | None, decimals: int = 0) -> str:
    """Write a number with a true minus sign and thin thousands; an en dash when there is none.

    Examples
    --------
    >>> number(-1234.56, 1), number(None), number(-0.04, 1)
    ('−1\\u202f234.6', '–', '0.0')
    """
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{abs(value):,.{decimals}f}".replace(",", "\u202f")
    is_negative = value < 0 and any(c in "123456789" for c in text)
    return f"−{text}" if is_negative else text


def signed(value: float | None, decimals: int = 0) -> str:
    """Write a number with its sign, plus included.

    Examples
    --------
    >>> signed(2.25, 1), signed(-3.0), signed(0.01, 1)
    ('+2.2', '−3', '0.0')
    """
    text = number(value, decimals)
    is_positive = value is not None and value > 0 and any(c in "123456789" for c in text)
    return f"+{text}" if is_positive else text


def count(value: int, noun: str, plural: str | None = None) -> str:
    """Write a count with its noun.

    Examples
    --------
    >>> count(1, "colony", "colonies"), count(1200, "row")
    ('1 colony', '1\\u202f200 rows')
    """
    return f"{number(value)} {noun if value == 1 else plural or noun + 's'}"


def chance(probability: float | None) -> str:
    """Write a probability in per cent, never rounded to certainty.

    Examples
    --------
    >>> chance(0.9883), chance(0.9999), chance(0.0), chance(None)
    ('98.8', '> 99.9', '< 0.1', '–')
    """
    if probability is None:
        return "–"
    if probability > 0.999:
        return f">{NO_BREAK}99.9"
    return number(100 * probability, 1) if probability >= 0.001 else f"<{NO_BREAK}0.1"


def winter_name(winter: int) -> str:
    """Name a winter by both its years.

    Examples
    --------
    >>> winter_name(2024), winter_name(1999)
    ('2024/25', '1999/00')
    """
    return f"{winter}/{(winter + 1) % 100:02d}"


def listed(items: list[str], joiner: str = "and") -> str:
    """Join items as prose does.

    Examples
    --------
    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joiner} {items[-1]}"


def sentence(text: str) -> str:
    """Begin with a capital and end with one full stop."""
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def decimals_of(unit: str | None) -> int:
    """Decimals with which a unit is shown."""
    return _DECIMALS.get(unit_words(unit), 1)


@dataclass(frozen=True, slots=True)
class Verdict:
    """How sure one may be: ``word`` from the table, and in which direction (1, -1, 0 unclear)."""

    direction: int
    word: str


def verdict(p_benefit: float) -> Verdict:
    """Turn a probability of benefit into the one wording used in the report.

    Parameters
    ----------
    p_benefit : float
        Posterior probability, in [0, 1], that the insulated hives did better.

    Examples
    --------
    >>> verdict(0.97), verdict(0.03).direction, verdict(0.6).word
    (Verdict(direction=1, word='very likely'), -1, 'unclear')
    """
    for least, word in PROBABILITY_WORDS:
        if p_benefit >= least:
            return Verdict(1, word)
        if 1 - p_benefit >= least:
            return Verdict(-1, word)
    return Verdict(0, "unclear")


def interval(row: dict, width: int = 95) -> str:
    """Write an interval of an estimates row, with signs for differences and none for ratios."""
    low, high = {50: ("q25", "q75"), 89: ("q5.5", "q94.5"), 95: ("q2.5", "q97.5")}[width]
    decimals = decimals_of(row["unit"])
    write = number if row["measure"] == "ratio" else signed
    return f"{write(row[low], decimals)} to {write(row[high], decimals)}"


def estimate(row: dict, width: int = 95) -> str:
    """Write an estimate with its interval and unit, or why there is none."""
    if row["status"] != "estimated":
        return str(row["status"])
    unit = unit_words(row["unit"])
    write = number if row["measure"] == "ratio" else signed
    shown = write(row["mean"], decimals_of(unit))
    unit = "" if unit == "ratio" else unit
    span = interval(row, width).replace(" ", NO_BREAK)
    return f"{shown} {unit} ({span})" if unit else f"{shown} ({span})"


def main_rows(estimands: pl.DataFrame) -> pl.DataFrame:
    """Rows of the overall differences in these winters, one an outcome and contrast."""
    return estimands.filter(
        (pl.col("measure") == "difference")
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == "these winters")
    )


def headline_contrast(estimands: pl.DataFrame) -> str:
    """Choose the contrast of the answer: the fullest one that any outcome could estimate."""
    rows = main_rows(estimands)
    done = set(rows.filter(pl.col("status") == "estimated")["contrast"].to_list())
    for contrast in HEADLINE_CONTRASTS:
        if contrast in done:
            return contrast
    return HEADLINE_CONTRASTS[0]


def contrast_words(contrast: str) -> str:
    """Spell a contrast of two levels."""
    first, _, second = contrast.partition(" vs ")
    return f"{LEVEL_WORDS.get(first, first)} against {LEVEL_WORDS.get(second, second)}"


def because(reason: str | None) -> str:
    """Finish "cannot be estimated from these records" with its reason."""
    reason = (reason or "").strip().rstrip(".")
    for opening in ("cannot be estimated from these records", "because"):
        if reason.lower().startswith(opening):
            reason = reason[len(opening) :].lstrip(" ,")
    head = "cannot be estimated from these records"
    return f"{head}, because {reason[:1].lower() + reason[1:]}" if reason else head


def _label(row: dict) -> str:
    """Repeat what the row's population says of how stores use was measured."""
    return f"; {ONLY_LIVING}" if ONLY_LIVING in (row["population"] or "") else ""


def _size(row: dict, sign: int) -> str:
    """Write a difference in the direction it is told: "3.0 kg (95 % interval …)"."""
    unit, decimals = unit_words(row["unit"]), decimals_of(row["unit"])
    low, high = sorted((sign * row["q2.5"], sign * row["q97.5"]))
    crossing = "; below 0 is the opposite" if low < 0 else ""
    span = f"95{NO_BREAK}% interval {number(low, decimals)} to {number(high, decimals)}{crossing}"
    span += _label(row)
    return f"{number(sign * row['mean'], decimals)}{NO_BREAK}{unit} ({span})"


def _as_it_is(p_benefit: float, outcome: str) -> Verdict:
    """Word a probability as the table has it, whatever the outcome."""
    del outcome
    return verdict(p_benefit)


def answer_sentences(
    estimands: pl.DataFrame,
    parts: pl.DataFrame,
    judge: Callable[[float, str], Verdict] = _as_it_is,
) -> list[str]:
    """Write the answer: what is known, what is unclear, what cannot be told.

    Parameters
    ----------
    estimands : polars.DataFrame
        ``results/estimands.csv``; empty when no fit has been done.
    parts : polars.DataFrame
        ``results/parts.csv``, for outcomes that were left out altogether.
    judge : callable, (p_benefit, outcome) to Verdict
        Weaker words after failed checks: see ``reports/verdict.py``.

    Returns
    -------
    list of str
        One to four plain sentences, not yet escaped for Markdown.
    """
    if estimands.is_empty():
        return [
            "The model has not been fitted to these records yet, so there is no answer to show."
        ]
    contrast = headline_contrast(estimands)
    rows = {r["outcome"]: r for r in main_rows(estimands).to_dicts() if r["contrast"] == contrast}
    left_out = {p["part"]: p["reason"] for p in parts.to_dicts() if not p["is_included"]}
    known: list[str] = []
    unclear: list[str] = []
    blocked: dict[str, list[str]] = {}
    for outcome in OUTCOMES:
        row = rows.get(outcome)
        if row is None:
            blocked.setdefault(because(left_out.get(outcome)), []).append(outcome)
        elif row["status"] != "estimated":
            is_open = row["status"] == "not converged"
            why = "not converged" if is_open else because(row["reason"])
            blocked.setdefault(why, []).append(outcome)
        else:
            seen = judge(row["p_benefit"], outcome)
            better, worse = OUTCOME_CLAUSES[outcome]
            if seen.direction:
                clause = better if seen.direction > 0 else worse
                known.append(f"{seen.word} {clause}, by {_size(row, seen.direction)}")
            else:
                shown = estimate(row).replace(
                    " (", f" {GAINS[outcome]} (95{NO_BREAK}% interval ", 1
                )
                unclear.append(f"they {better}: {shown.removesuffix(')')}{_label(row)})")
    first, _, second = contrast.partition(" vs ")
    said = []
    if known:
        who, other = LEVEL_WORDS.get(first, first), LEVEL_WORDS.get(second, second)
        said.append(
            f"By the model’s estimate, colonies in {who}, compared with {other}, "
            f"{'; they '.join(known)}."
        )
    if unclear:
        they = listed(unclear, "or")
        if not known:
            they = they.replace("they", f"colonies in {LEVEL_WORDS.get(first, first)}", 1)
        said.append(f"It is unclear whether {they}.")
    for why, outcomes in blocked.items():
        if why == "not converged":
            said.append(
                f"For {listed(outcomes)} the sampler did not converge, so no number is given."
            )
        else:
            what = f"What insulation did to {listed(outcomes)}"
            said.append(f"{what} {why}.")
    return said
