"""The rule by which failed checks weaken the words of the answer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from models.checks import CHECKS_SCHEMA
from reports.context import Pool
from reports.wording import (
    PROBABILITY_WORDS,
    Verdict,
    headline_contrast,
    listed,
    main_rows,
    verdict,
)

UNCLEAR = "unclear"
_WORDS = (*(word for _, word in PROBABILITY_WORDS), UNCLEAR)
WEAKER = dict(zip(_WORDS, (*_WORDS[1:], UNCLEAR), strict=True))
"""Every word for a probability and the next weaker one."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict after the checks, and the titles of those that weakened it (empty: none did)."""

    verdict: Verdict
    weakened_by: tuple[str, ...]


def refits_path(pool: Pool) -> Path:
    """Where what refits found is kept."""
    return pool.study.results_path / "refits"


def load_checks(pool: Pool) -> pl.DataFrame:
    """Read ``results/checks.csv``, and after it ``results/refits/checks.csv``; empty without."""
    frames = [pl.DataFrame(schema=CHECKS_SCHEMA)]
    for folder in (pool.study.results_path, refits_path(pool)):
        path = folder / "checks.csv"
        if path.exists():
            found = pl.read_csv(path, infer_schema=False)
            frames.append(found.select(pl.col(list(CHECKS_SCHEMA)).fill_null("")))
    return pl.concat(frames)


def failed_checks(checks: pl.DataFrame, outcome: str) -> tuple[str, ...]:
    """Titles of failed checks that bear on an outcome, in the order of the list."""
    bears = pl.col("failed_for").fill_null("").str.split("; ").list.contains(outcome)
    return tuple(checks.filter((pl.col("status") == "failed") & bears)["title"].to_list())


def judge(p_benefit: float, outcome: str, checks: pl.DataFrame) -> Judged:
    """Word a probability of benefit, one step weaker when a check fails that bears on it.

    Parameters
    ----------
    p_benefit : float
        Posterior probability, in [0, 1], that the insulated hives did better.
    outcome : str
    checks : polars.DataFrame
        Of ``load_checks``; empty when none were run, which weakens nothing.

    Returns
    -------
    Judged
        One step whatever the number of failed checks: the words say how sure one may be, the
        list says why not surer. Nothing stays of a direction that has become unclear.

    Examples
    --------
    >>> WEAKER["almost certainly"], WEAKER["probably"]
    ('very likely', 'unclear')
    """
    seen, failed = verdict(p_benefit), failed_checks(checks, outcome)
    if not failed or seen.word == UNCLEAR:
        return Judged(seen, ())
    word = WEAKER[seen.word]
    return Judged(Verdict(0 if word == UNCLEAR else seen.direction, word), failed)


def weakening_sentence(outcome: str, judged: Judged) -> str:
    """Say which checks made the words weaker; nothing when none did."""
    if not judged.weakened_by:
        return ""
    titles = [f"“{title}”" for title in judged.weakened_by]
    one = len(titles) == 1
    return (
        f"For {outcome} the words are one step weaker than the probability alone would have them, "
        f"because {'a check' if one else 'checks'} of the answer failed: {listed(titles)}."
    )


def weakening_sentences(estimands: pl.DataFrame, checks: pl.DataFrame) -> list[str]:
    """Say of each outcome of the answer which checks made its words weaker."""
    contrast = headline_contrast(estimands)
    rows = main_rows(estimands).filter(
        (pl.col("contrast") == contrast) & (pl.col("status") == "estimated")
    )
    said = [
        weakening_sentence(row["outcome"], judge(row["p_benefit"], row["outcome"], checks))
        for row in rows.to_dicts()
    ]
    return [sentence for sentence in said if sentence]
