"""What the checklists take from a study: each function writes one plain sentence."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import polars as pl

from reports.context import Pool
from reports.convergence import gate_sentence
from reports.estimates import winter_span
from reports.summaries import OUTCOME_COLUMNS
from reports.verdict import load_checks
from reports.wording import count, listed, number, sentence


def design(pool: Pool) -> str:
    """Name the kind of study by how set-ups were assigned."""
    given = pool.units["assignment"].drop_nulls()
    lot = int((given == "randomised").sum())
    kind = (
        "A study that observes: members chose the set-ups"
        if not lot
        else "A trial: all set-ups were drawn by lot"
        if lot == len(given)
        else f"A study that observes, with {number(100 * lot / len(given))} % of set-ups by lot"
    )
    return f"{kind}; colonies are followed from autumn to spring, their records pooled."


def question(pool: Pool) -> str:
    """State the question by the levels on record."""
    levels = pool.units["level"].drop_nulls().unique().to_list()
    compared = f" ({number(len(levels))} levels on record)" if levels else ""
    return f"What insulation{compared} did to {listed(list(OUTCOME_COLUMNS))} over winter."


def setting(pool: Pool) -> str:
    """Name the winters and count the apiaries; places stay unnamed."""
    shown = pool.shown
    apiaries = count(shown["apiary_id"].n_unique(), "apiary", "apiaries")
    return f"{sentence(winter_span(pool))[:-1]}, {apiaries}; places are not named, their cold is."


def taking_part(pool: Pool) -> str:
    """Say who is in the pool."""
    members = count(pool.shown["member_id"].n_unique(), "member")
    return (
        f"Every colony-winter in the records of {members}; those left out have a reason each. "
        "Followed by the members' own visits."
    )


def measured(pool: Pool) -> str:
    """Name how mites were counted, and where the other ways of measuring stand."""
    ways = sorted(pool.mite_samples["method"].drop_nulls().unique().to_list())
    mites = f"Mites by {listed(ways)}" if ways else "No mites were counted"
    return f"{mites}; the counting and weighing error of each method is part of the model."


def size(pool: Pool) -> str:
    """Say where the size comes from."""
    return (
        f"All records that members sent: {count(pool.units.height, 'colony-winter')} analysed. "
        "What another size would tell is a matter of next winter's trial."
    )


def flow(pool: Pool) -> str:
    """Count what was spoken of and what is analysed."""
    return (
        f"{count(pool.colony_winters.height, 'colony-winter')} spoken of, "
        f"{number(pool.units.height)} analysed; the flow and every reason are shown."
    )


def missing(pool: Pool) -> str:
    """Say which records of colonies have most gaps."""
    units = pool.units
    if units.is_empty():
        return "No colony-winter is analysed; what colonies were like is shown as far as known."
    gaps = {
        words: 100 * (1 - units[column].count() / units.height)
        for words, column in (("set-up", "level"), ("wind", "wind_exposure"))
    }
    counted = 100 * units.filter(pl.col("mite_counts_used") > 0).height / units.height
    unknown = listed([f"{words} of {number(share)} %" for words, share in gaps.items()])
    return (
        f"Set-ups by winter and their envelopes; not known: {unknown}; "
        f"mites: {number(counted)} % counted."
    )


def outcomes(pool: Pool) -> str:
    """Count each outcome on record."""
    units = pool.units
    known = [f"{name} {number(units[c].count())}" for name, (c, _) in OUTCOME_COLUMNS.items()]
    return f"Known outcomes: {listed(known)} of {number(units.height)}."


def checks(pool: Pool) -> str:
    """Count the questions asked of the answer."""
    asked = load_checks(pool).filter(pl.col("status") != "not run")
    failed = asked.filter(pl.col("status") == "failed").height
    return f"{count(asked.height, 'question')} asked of the answer; {number(failed)} failed."


def programs(pool: Pool) -> str:
    """Name the sampler and its companions with their versions."""
    versions = pool.run.get("versions", {})
    used = [f"{name} {versions[name]}" for name in ("pymc", "nutpie") if name in versions]
    return (
        f"Fitted with {listed(used)}; all versions are listed." if used else "Versions are listed."
    )


def draws(pool: Pool) -> str:
    """Say the least effective sample size and the threshold."""
    bulk = pool.gates.filter(pl.col("is_headline"))["ess_bulk"].drop_nulls()
    least = f"Least bulk ESS of what the answer uses: {number(bulk.min())}" if len(bulk) else ""  # type: ignore[arg-type]
    return f"{least}; thresholds are fixed." if least else "The thresholds are listed."


def seed(pool: Pool) -> str:
    """Say the seed."""
    return f"Seed {pool.run['seed']}, with the versions that drew."


def finding(pool: Pool, name: str) -> str:
    """Repeat what a check of the answer found, or that it was not made."""
    found = load_checks(pool).filter(pl.col("name") == name).to_dicts()
    if not found or found[0]["status"] == "not run":
        return "Not yet: this question has not been asked of the answer."
    return f"{sentence(found[0]['status'])} {found[0]['sentence']}"


FACTS: Mapping[str, Callable[[Pool], str]] = {
    function.__name__: function
    for function in (
        design, question, setting, taking_part, measured, size, flow, missing, outcomes, checks,
        programs, draws, seed,
    )
} | {"gates": gate_sentence}  # fmt: skip
