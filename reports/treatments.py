"""What the report says of treatments against mites: their effects on the load, by type."""

from __future__ import annotations

import polars as pl

from models.conditions import ANY, EARLIER, TREATMENT
from models.treatments import OTHER
from reports.blocks import few_note, say, show_table
from reports.context import Pool
from reports.tables import Column, hide_small
from reports.wording import number, signed

_SCHEMA = {
    "treatment": pl.String,
    "n_units": pl.Int64,
    "n_members": pl.Int64,
    "change": pl.String,
}


def _estimate(row: dict) -> str:
    return f"{signed(row['mean'])} ({signed(row['q2.5'])} to {signed(row['q97.5'])})"


def treatment_effects_table(pool: Pool) -> pl.DataFrame:
    """Table the effects by type (treatment, n_units, n_members, change as text).

    Types of too few members are hidden; the line of all treatments together comes first. Empty
    where no fit told any.
    """
    rows = {
        row["contrast"]: row
        for row in pool.conditions.filter(pl.col("condition") == TREATMENT).to_dicts()
        if row["contrast"] != EARLIER
    }
    types = [name for name in rows if name != ANY]
    given = pool.units.drop_nulls("treatment_ingredient").with_columns(
        type=pl.when(pl.col("treatment_ingredient").is_in(types))
        .then("treatment_ingredient")
        .otherwise(pl.lit(OTHER))
    )
    made = []
    for name in types:
        own = given.filter(pl.col("type") == name)
        made.append((name, own.height, own["member_id"].n_unique(), _estimate(rows[name])))
    table = pl.DataFrame(made, _SCHEMA, orient="row")
    table = hide_small(table, ["n_units", "change"], minimum=pool.minimum_cell)
    if ANY not in rows:
        return table
    treated = pool.units.filter(pl.col("was_treated"))
    every = (ANY, treated.height, treated["member_id"].n_unique(), _estimate(rows[ANY]))
    first = pl.DataFrame([every], _SCHEMA, orient="row").with_columns(is_hidden=pl.lit(False))
    return pl.concat([first, table])


def timing_sentence(pool: Pool) -> str:
    """Say what an earlier treatment leaves; empty where the records cannot tell."""
    rows = pool.conditions.filter(
        (pl.col("condition") == TREATMENT) & (pl.col("contrast") == EARLIER)
    )
    if rows.is_empty():
        return ""
    row = rows.row(0, named=True)
    return (
        "The lines stand for a treatment given as long before the reference date as on average "
        f"here, {number(row['value'])} days. A treatment given 30 days earlier than another goes "
        f"with a load on that date that differs by {signed(row['mean'])} % (95 % interval "
        f"{signed(row['q2.5'])} to {signed(row['q97.5'])})."
    )


def say_treatment_effects(pool: Pool) -> None:
    """Print what treatments did to the mite load, with what such a table cannot tell."""
    table = treatment_effects_table(pool)
    if table.is_empty():
        return
    say(
        "What the model makes of treatments: the mite load of treated colonies on the reference "
        "date against untreated ones of the same member, counted or not. Nobody drew lots for "
        "who was treated, with what or when: colonies in need are treated first, and members who "
        "prefer one product differ in other ways. This table is **no ranking of products** and "
        "no advice. Treatments go by their label and local rules; ask the apiary inspector or a "
        "veterinarian.",
        timing_sentence(pool),
    )
    show_table(
        "treatment-effects",
        "Change of the mite load on the reference date with a treatment from 1 July until the "
        "day before it, with 95 % intervals; of several treatments the last one counts. Types "
        "are drawn towards what they have in common, those of few colonies most."
        + few_note(pool, table),
        table,
        {
            "treatment": "Treatment",
            "n_units": "Colony-winters",
            "change": Column("Change of load [%]", is_number=True),
        },
    )
