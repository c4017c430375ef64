"""Results files to the text of the report's tables of estimates, checks and priors."""

from __future__ import annotations

from dataclasses import fields, is_dataclass

import polars as pl

from models.priors import Priors
from models.vocabulary import OUTCOMES
from reports.context import AMONG_SURVIVORS, Pool
from reports.summaries import raw_by_level
from reports.tables import FEW
from reports.verdict import judge, load_checks
from reports.wording import (
    NO_BREAK,
    because,
    chance,
    decimals_of,
    estimate,
    number,
    sentence,
    winter_name,
)

_RAW = {
    "survival": ("survival", "n_known", "%"),
    "stores use": ("stores_use_kg", "n_stores", "kg"),
    "spring strength": ("frames", "n_frames", "frames"),
}


def _mean_text(row: dict | None, decimals: int) -> str:
    """Write a level's modelled mean with its 95 % interval, or a dash."""
    if row is None or row["mean"] is None:
        return "–"
    span = f"{number(row['q2.5'], decimals)} to {number(row['q97.5'], decimals)}"
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
                alive = f"{number(raw['n_alive'])}{NO_BREAK}of{NO_BREAK}{number(raw['n_known'])}"
                row[f"raw {outcome}"] = f"{alive}{share}"
            else:
                row[f"raw {outcome}"] = (
                    f"{number(raw[column], decimals)} (n{NO_BREAK}{number(raw[n_column])})"
                )
            found = modelled.get((outcome, raw["level"]))
            row[f"model {outcome}"] = _mean_text(found, decimals)
        rows.append(row)
    columns = ["level", "units", *(f"{k} {o}" for o in _RAW for k in ("raw", "model"))]
    return pl.DataFrame(rows, schema=dict.fromkeys(columns, pl.String))


def _words(row: dict, checks: pl.DataFrame) -> str:
    if row["status"] != "estimated":
        return row["status"] if row["status"] == "not converged" else because(row["reason"])
    seen = judge(row["p_benefit"], row["outcome"], checks).verdict
    return f"{seen.word} {('', 'better', 'worse')[seen.direction]}".strip()


def contrast_table(pool: Pool, outcome: str) -> pl.DataFrame:
    """List every contrast of one outcome overall: difference, relative size, how sure.

    Returns
    -------
    polars.DataFrame
        contrast, horizon, difference, relative (left out where no contrast has one),
        p_benefit, words; all text.
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
    checks = load_checks(pool)
    table = [
        {
            "contrast": row["contrast"],
            "horizon": row["horizon"],
            "difference": estimate(row),
            "relative": relative.get((row["contrast"], row["horizon"]), "–"),
            "p_benefit": chance(row["p_benefit"]),
            "words": _words(row, checks),
        }
        for row in rows.filter(pl.col("measure") == "difference").to_dicts()
    ]
    names = ("contrast", "horizon", "difference", "relative", "p_benefit", "words")
    found = pl.DataFrame(table, schema=dict.fromkeys(names, pl.String))
    return found if relative else found.drop("relative")


def _subgroup_rows(pool: Pool) -> pl.DataFrame:
    return pool.estimands.filter(
        (pl.col("subgroup") != "all")
        & (pl.col("measure") == "difference")
        & (pl.col("horizon") == "these winters")
    )


def subgroup_table(pool: Pool) -> pl.DataFrame:
    """List the differences estimated within subgroups, these winters, as text.

    Returns
    -------
    polars.DataFrame
        outcome, contrast, subgroup, n_units (colony-winters with the outcome), difference, words.
    """
    checks = load_checks(pool)
    table = [
        {
            "outcome": row["outcome"],
            "contrast": row["contrast"],
            "subgroup": row["subgroup"],
            "n_units": FEW if row["n_members"] < pool.minimum_cell else number(row["n_units"]),
            "difference": estimate(row),
            "words": _words(row, checks),
        }
        for row in _subgroup_rows(pool).to_dicts()
        if row["status"] == "estimated"
    ]
    names = ("outcome", "contrast", "subgroup", "n_units", "difference", "words")
    return pl.DataFrame(table, schema=dict.fromkeys(names, pl.String))


def blocked_subgroups(pool: Pool) -> list[str]:
    """Say what parts of the pool have no estimates and why, each reason once."""
    reasons: dict[str, dict[str, None]] = {}
    checks = load_checks(pool)
    for row in _subgroup_rows(pool).filter(pl.col("status") != "estimated").to_dicts():
        what = f"{row['outcome']}, {row['contrast']}"
        reasons.setdefault(_words(row, checks), {})[what] = None
    everything = len(OUTCOMES) * _subgroup_rows(pool)["contrast"].n_unique()
    return [
        sentence(why if len(whats) == everything else f"{'; '.join(whats)}: {why}")
        for why, whats in reasons.items()
    ]


def survivors_table(pool: Pool) -> pl.DataFrame:
    """Frames of bees of the survivors by level: a description (level, raw, model as text)."""
    shown = {r["level"] for r in raw_by_level(pool).to_dicts() if not r["is_hidden"]}
    rows = []
    for row in pool.level_means.to_dicts():
        if row["outcome"].endswith(AMONG_SURVIVORS) and row["level"] in shown:
            raw = f"{number(row['raw'], 1)} (n{NO_BREAK}{number(row['n_raw'])})"
            rows.append((row["level"], raw, _mean_text(row, 1)))
    return pl.DataFrame(rows, schema=["level", "raw", "model"], orient="row")


def populations(pool: Pool) -> pl.DataFrame:
    """Say for which hives each kind of estimate speaks (contrasts, horizon, population).

    Outcomes differ only in that the population of stores use names its days: told once, by it.
    """
    overall = pool.estimands.filter(
        (pl.col("subgroup") == "all") & (pl.col("status") == "estimated")
    ).unique(subset=["contrast", "horizon"], keep="first", maintain_order=True)
    names = pl.col("contrast").unique(maintain_order=True).str.join("; ")
    found = overall.group_by("population", maintain_order=True).agg(
        names, pl.col("horizon").first()
    )
    return found.select("contrast", "horizon", "population")


def link_table(pool: Pool) -> pl.DataFrame:
    """List which pairs of levels the records link, counts of few members as a word.

    Returns
    -------
    polars.DataFrame
        pair, members, apiaries (over all analysed colony-winters), and for each outcome
        whether those with the outcome recorded still link the pair; all text.
    """

    def shown(value: int) -> str:
        return FEW if 0 < value < pool.minimum_cell else number(value)

    pairs: dict[str, dict[str, str]] = {}
    for row in pool.links.to_dicts():
        pair = pairs.setdefault(f"{row['level_a']} and {row['level_b']}", {})
        if row["outcome"] == "any":
            pair["members"] = shown(row["linking_members"])
            pair["apiaries"] = shown(row["linking_apiaries"])
        else:
            pair[row["outcome"]] = "yes" if row["is_linked"] else "no"
    columns = ("pair", "members", "apiaries", *OUTCOMES)
    return pl.DataFrame(
        [{"pair": name, **found} for name, found in pairs.items()],
        schema=dict.fromkeys(columns, pl.String),
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
                rows.append((part_name, _prior_name(item.name), str(found).replace("-", "−")))
    return pl.DataFrame(rows, schema=["part", "prior", "value"], orient="row")


def winter_span(pool: Pool) -> str:
    """Name the winters of the analysed units."""
    found = sorted(pool.units["winter"].unique().to_list())
    if len(found) > 2:
        return f"the winters {winter_name(found[0])} to {winter_name(found[-1])}"
    names = " and ".join(winter_name(w) for w in found)
    return f"the winter{'s' if len(found) > 1 else ''} {names}" if found else "no winter"
