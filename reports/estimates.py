"""Results files to the text of the report's tables of estimates, checks and priors."""

from __future__ import annotations

from dataclasses import fields, is_dataclass

import polars as pl

from models.priors import Priors
from reports.context import AMONG_SURVIVORS, Pool
from reports.summaries import raw_by_level
from reports.tables import FEW
from reports.wording import (
    NO_BREAK,
    OUTCOMES,
    Verdict,
    because,
    decimals_of,
    estimate,
    number,
    verdict,
    winter_name,
)

_RAW = {
    "survival": ("survival", "n_known", "%"),
    "stores use": ("stores_use_kg", "n_stores", "kg"),
    "spring strength": ("frames", "n_frames", "frames"),
}


def _mean_text(row: dict | None, decimals: int) -> str:
    """Write a level's modelled mean with its 89 % interval, or a dash."""
    if row is None or row["mean"] is None:
        return "–"
    span = f"{number(row['q5.5'], decimals)} to {number(row['q94.5'], decimals)}"
    return f"{number(row['mean'], decimals)} ({span.replace(' ', NO_BREAK)})"


def level_cells(pool: Pool) -> pl.DataFrame:
    """Put raw counts beside model estimates, one row a level, all as text.

    Returns
    -------
    polars.DataFrame
        level, units, and for each outcome ``raw OUTCOME`` and ``model OUTCOME``.
    """
    modelled = {(r["outcome"], r["level"]): r for r in pool.level_means.to_dicts()}
    rows = []
    for raw in raw_by_level(pool).to_dicts():
        row = {"level": raw["level"], "units": FEW if raw["is_hidden"] else number(raw["n_units"])}
        for outcome, (column, n_column, unit) in _RAW.items():
            decimals = decimals_of(unit)
            if raw["is_hidden"]:
                row[f"raw {outcome}"] = FEW
            elif outcome == "survival":
                share = f" ({number(raw[column])}{NO_BREAK}%)" if raw[column] is not None else ""
                row[f"raw {outcome}"] = f"{raw['n_alive']} of {raw['n_known']}{share}"
            else:
                row[f"raw {outcome}"] = (
                    f"{number(raw[column], decimals)} (n{NO_BREAK}{number(raw[n_column])})"
                )
            found = modelled.get((outcome, raw["level"]))
            row[f"model {outcome}"] = _mean_text(found, decimals)
        rows.append(row)
    columns = ["level", "units", *(f"{k} {o}" for o in _RAW for k in ("raw", "model"))]
    return pl.DataFrame(rows, schema=dict.fromkeys(columns, pl.String))


def _words(row: dict) -> str:
    if row["status"] != "estimated":
        return row["status"] if row["status"] == "not converged" else because(row["reason"])
    seen: Verdict = verdict(row["p_benefit"])
    return f"{seen.word} {('', 'better', 'worse')[seen.direction]}".strip()


def contrast_table(pool: Pool, outcome: str) -> pl.DataFrame:
    """List every contrast of one outcome overall: difference, relative size, how sure.

    Returns
    -------
    polars.DataFrame
        contrast, horizon, difference, relative, p_benefit [%], words; text but for p_benefit.
    """
    is_told = (pl.col("horizon") == "these winters") | (pl.col("status") == "estimated")
    rows = pool.estimands.filter(
        (pl.col("outcome") == outcome) & (pl.col("subgroup") == "all") & is_told
    )
    relative = {
        (r["contrast"], r["horizon"]): estimate(r)
        for r in rows.filter(pl.col("measure") != "difference").to_dicts()
        if r["status"] == "estimated"
    }
    table = [
        {
            "contrast": row["contrast"],
            "horizon": row["horizon"],
            "difference": estimate(row),
            "relative": relative.get((row["contrast"], row["horizon"]), "–"),
            "p_benefit": None if row["p_benefit"] is None else 100 * row["p_benefit"],
            "words": _words(row),
        }
        for row in rows.filter(pl.col("measure") == "difference").to_dicts()
    ]
    text = dict.fromkeys(("contrast", "horizon", "difference", "relative"), pl.String)
    return pl.DataFrame(table, schema={**text, "p_benefit": pl.Float64, "words": pl.String})


def subgroup_table(pool: Pool) -> pl.DataFrame:
    """List the differences within subgroups, these winters (outcome, contrast, subgroup, …)."""
    rows = pool.estimands.filter(
        (pl.col("subgroup") != "all")
        & (pl.col("measure") == "difference")
        & (pl.col("horizon") == "these winters")
    )
    table = [
        {
            "subgroup": row["subgroup"],
            "outcome": row["outcome"],
            "contrast": row["contrast"],
            "difference": estimate(row),
            "words": _words(row),
            "status": row["status"],
        }
        for row in rows.to_dicts()
    ]
    names = ("subgroup", "outcome", "contrast", "difference", "words", "status")
    return pl.DataFrame(table, schema=dict.fromkeys(names, pl.String))


def blocked_reasons(pool: Pool) -> list[str]:
    """Why parts of the pool have no estimates, each reason once."""
    rows = pool.estimands.filter((pl.col("subgroup") != "all") & (pl.col("status") != "estimated"))
    return sorted(set(rows["reason"].drop_nulls().to_list()) - {""})


def survivors_table(pool: Pool) -> pl.DataFrame:
    """Frames of bees of the survivors by level: a description (level, raw, model as text)."""
    shown = {r["level"] for r in raw_by_level(pool).to_dicts() if not r["is_hidden"]}
    rows = []
    for row in pool.level_means.to_dicts():
        if row["outcome"].endswith(AMONG_SURVIVORS) and row["level"] in shown:
            raw = f"{number(row['raw'], 1)} (n{NO_BREAK}{number(row['n_raw'])})"
            rows.append((row["level"], raw, _mean_text(row, 1)))
    return pl.DataFrame(rows, schema=["level", "raw", "model"], orient="row")


def populations(pool: Pool) -> list[str]:
    """Sentences that say for which hives the estimates speak, each once."""
    overall = pool.estimands.filter(pl.col("subgroup") == "all")
    found = overall["population"].drop_nulls().unique(maintain_order=True)
    return [text for text in found.to_list() if text.strip()]


def link_table(pool: Pool) -> pl.DataFrame:
    """List which levels the records link, counts of few members as a word."""

    def shown(value: int) -> str:
        return FEW if 0 < value < pool.minimum_cell else number(value)

    rows = [
        {
            "pair": f"{row['level_a']} and {row['level_b']}",
            "members": shown(row["linking_members"]),
            "apiaries": shown(row["linking_apiaries"]),
            "is_linked": "yes" if row["is_linked"] else "no",
        }
        for row in pool.links.to_dicts()
    ]
    return pl.DataFrame(
        rows, schema=dict.fromkeys(("pair", "members", "apiaries", "is_linked"), pl.String)
    )


def part_table(pool: Pool) -> pl.DataFrame:
    """List the model's parts: whether each is in, on how many units, and why not."""
    use = pl.when("is_included").then(pl.lit("in the model")).otherwise(pl.lit("left out"))
    return pool.parts.with_columns(use.alias("use"))


GATES_SHOWN = 40
"""Most lines of the table of gates; all of them are in ``results/gates.csv``."""


def gate_table(pool: Pool) -> pl.DataFrame:
    """List the gates a reader needs: what failed, then the headline quantities; not too many."""
    return (
        pool.gates.filter(pl.col("is_headline") | ~pl.col("passed"))
        .sort("passed", ~pl.col("is_headline"), maintain_order=True)
        .head(GATES_SHOWN)
        .with_columns(
            pl.when("passed").then(pl.lit("passed")).otherwise(pl.lit("failed")).alias("verdict")
        )
    )


def gate_sentence(pool: Pool) -> str:
    """Say how many gates were passed."""
    total, passed = pool.gates.height, int(pool.gates["passed"].sum())
    if total == 0 and not pool.estimands.is_empty():
        return "Nothing was sampled, because no contrast can be estimated from these records."
    if total == 0:
        return "The model has not been fitted, so there is nothing to judge."
    if passed == total:
        return f"All {number(total)} checks of the sampler were passed."
    return (
        f"{number(total - passed)} of {number(total)} checks of the sampler failed; "
        "no estimate that rests on a failed check is shown as a number."
    )


_PRIOR_PARTS = {"stores": "ledger", "strength": "spring count"}


def _prior_name(name: str) -> str:
    return " ".join({"mu": "centre"}.get(word, word) for word in name.split("_"))


def outcome_prior_table() -> pl.DataFrame:
    """List the priors that all outcomes have, one column an outcome, as the code holds them."""
    priors = Priors().outcomes
    names = [item.name for item in fields(priors[OUTCOMES[0]])]
    rows = [
        {"prior": _prior_name(n), **{o: str(getattr(priors[o], n)) for o in OUTCOMES}}
        for n in names
    ]
    return pl.DataFrame(rows)


def other_prior_table() -> pl.DataFrame:
    """List the model's remaining priors as the code holds them (part, prior, value)."""
    priors = Priors()
    rows = []
    for part in fields(priors):
        value = getattr(priors, part.name)
        if not is_dataclass(value) and part.name != "outcomes":
            rows.append(("joint", _prior_name(part.name), str(value)))
        elif is_dataclass(value):
            for item in fields(value):
                found = getattr(value, item.name)
                if isinstance(found, dict):
                    found = "; ".join(f"{key} {shown}" for key, shown in found.items())
                part_name = _PRIOR_PARTS.get(part.name, part.name)
                rows.append((part_name, _prior_name(item.name), str(found)))
    return pl.DataFrame(rows, schema=["part", "prior", "value"], orient="row")


def winter_span(pool: Pool) -> str:
    """Name the winters of the analysed units."""
    found = sorted(pool.units["winter"].unique().to_list())
    if len(found) > 2:
        return f"the winters {winter_name(found[0])} to {winter_name(found[-1])}"
    names = " and ".join(winter_name(w) for w in found)
    return f"the winter{'s' if len(found) > 1 else ''} {names}" if found else "no winter"
