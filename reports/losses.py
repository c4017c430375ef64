"""Loss rates as surveys count them, to stand beside the model's survival."""

from __future__ import annotations

import polars as pl

from models.loss_rates import ALL, loss_rates
from reports.context import Pool
from reports.tables import FEW, Column, small_cells
from reports.wording import NO_BREAK, count, number, winter_name

LOSS_COLUMNS: dict[str, Column | str] = {
    "group": "Group",
    "members": Column("Members", is_number=True),
    "colonies": Column("Colony-winters", is_number=True),
    "lost": Column("Lost", is_number=True),
    "overall": Column("Overall rate [%]", is_number=True),
    "average": Column("Average rate [%]", is_number=True),
}


def _rate(row: dict, kind: str) -> str:
    low, high = row[f"{kind}_low_pct"], row[f"{kind}_high_pct"]
    if row[f"{kind}_pct"] is None:
        return "–"
    shown = number(row[f"{kind}_pct"], 1)
    span = "" if low is None else f" ({number(low, 1)}{NO_BREAK}to{NO_BREAK}{number(high, 1)})"
    return shown + span


def _partitions(found: pl.DataFrame) -> list[pl.DataFrame]:
    """Levels, the whole, and winters: the first and the last each sum to the whole."""
    is_all, of_winter = pl.col("level") == ALL, pl.col("winter").is_not_null()
    return [
        found.filter(~is_all),
        found.filter(is_all & ~of_winter),
        found.filter(is_all & of_winter),
    ]


def loss_rate_table(pool: Pool) -> pl.DataFrame:
    """Table the loss rates by level, of all, and by winter, as text.

    Returns
    -------
    polars.DataFrame
        group, members, colonies, lost, overall and average ("21.4 (17.0 to 26.5)" [%]); groups of
        few members are a word.
    """
    rows = []
    for part in _partitions(loss_rates(pool.colony_winters)):
        hidden = small_cells(part["n_members"].to_list(), pool.minimum_cell)
        for row, is_hidden in zip(part.to_dicts(), hidden, strict=True):
            name = row["level"] if row["winter"] is None else f"winter {winter_name(row['winter'])}"
            told = {
                "members": number(row["n_members"]),
                "colonies": number(row["n_colonies"]),
                "lost": number(row["n_lost"]),
                "overall": _rate(row, "overall"),
                "average": _rate(row, "average"),
            }
            rows.append({"group": name, **(dict.fromkeys(told, FEW) if is_hidden else told)})
    return pl.DataFrame(rows, schema=dict.fromkeys(LOSS_COLUMNS, pl.String))


def loss_rate_sentences(pool: Pool) -> list[str]:
    """Say which standard the rates follow, what they are not, and what is left out of them."""
    found = loss_rates(pool.colony_winters).filter(
        pl.col("winter").is_null(), pl.col("level") == ALL
    )
    if found.is_empty():
        return ["No colony-winter was analysed, so there is no loss rate."]
    row = found.row(0, named=True)
    struck = pool.units.filter("is_disaster")["member_id"].n_unique()
    unknown, disasters = row["n_unknown"], row["n_disaster"]
    if 0 < struck < pool.minimum_cell:  # told apart, one count would give the other
        left = (
            f"{count(unknown + disasters, 'colony-winter')} of unknown fate or lost to disaster; "
            "that standard counts disasters as lost."
        )
    else:
        left = (
            f"{count(unknown, 'colony-winter')} of unknown fate and "
            f"{count(disasters, 'loss', 'losses')} to disaster, which that standard counts as lost."
        )
    said = [
        "Raw rates as loss surveys publish them, to compare this pool with others; nothing is "
        "adjusted, so differences between levels are no effects of insulation. The *overall* rate "
        "counts every colony once, the *average* rate every member once. Definitions and rates "
        "follow van der Zee and others (2013), *Standard survey methods for estimating colony "
        "losses*, J. Apic. Res. 52(4); the overall rate’s interval allows for colonies of one "
        "member sharing their fate (quasi-binomial). A survey’s loss is a colony dead, too weak to "
        "carry on, or with a queen problem not solved: here, all but alive with a laying queen.",
        f"Left out: {left}",
    ]
    if row["reason"]:
        said.append(f"The overall rate has no interval: {row['reason']}.")
    return said
