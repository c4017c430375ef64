"""Was what the model adjusts for measured before the set-up could change it?"""

from __future__ import annotations

import polars as pl

from models.checks.base import About, Check, Evidence
from models.vocabulary import SURVIVAL

# A count after the set-up may already show what the set-up did. A tenth of them can hardly move
# a slope that the other nine tenths teach (common practice, no source).
MOST_AFTER = 0.10
LEAST_DATED = 0.5
ONLY_SURVIVAL = "autumn stores"  # adjusted for in survival alone

ABOUT = About(
    "order_of_events",
    "Adjustments before the set-up",
    "Were autumn strength, mites and stores measured before the winter set-up was in place?",
)
SCHEMA = {
    "measured": pl.String,
    "n": pl.Int64,
    "n_dated": pl.Int64,
    "n_after": pl.Int64,
    "share_dated": pl.Float64,
    "share_after": pl.Float64,
}


def _measured(evidence: Evidence) -> dict[str, pl.DataFrame]:
    """Days of each measurement: colony_id, winter, measured_on, of analysed units."""
    units = evidence.colony_winters.filter(
        pl.format("{} {}", "colony_id", "winter").is_in(list(evidence.pool.unit_names))
    )
    keys = units.select("colony_id", "winter")
    # stores weighed under a wrap are left empty by the stage; bare hives have nothing to weigh
    weighed = units.filter(pl.col("autumn_stores_kg").is_not_null() & (pl.col("level") != "none"))
    days = {
        name: rows.select("colony_id", "winter", measured_on=pl.col(column)).drop_nulls()
        for name, rows, column in (
            ("autumn strength", units, "autumn_strength_on"),
            (ONLY_SURVIVAL, weighed, "autumn_weighed_on"),
        )
        if column in units.columns
    }
    mites = evidence.mite_samples.join(keys, on=["colony_id", "winter"])
    days["mite counts"] = mites.select("colony_id", "winter", measured_on=pl.col("sampled_on"))
    return days


def check_order_of_events(evidence: Evidence) -> Check:
    """Count measurements taken after the day on which the set-up was complete.

    A measurement of the same day counts as before. Where no such day is recorded nothing can
    be said, and the share is given.
    """
    if not evidence.pool.n_units:
        return ABOUT.not_run("No colony-winter could be analysed.")
    installed = evidence.set_ups.select("colony_id", "winter", "installed_on")
    rows = []
    for name, days in _measured(evidence).items():
        dated = days.join(installed, on=["colony_id", "winter"], how="left")
        known = dated.filter(pl.col("installed_on").is_not_null())
        n, n_dated = dated.height, known.height
        n_after = known.filter(pl.col("measured_on") > pl.col("installed_on")).height
        if n:
            share = n_after / n_dated if n_dated else None
            rows.append((name, n, n_dated, n_after, n_dated / n, share))
    if not rows:
        return ABOUT.not_run("No autumn measurement carries a date.")
    table = pl.DataFrame(rows, SCHEMA, orient="row")
    said = [
        f"{name}: {n_after} of {n_dated} dated ({100 * dated:.0f} % could be dated)"
        for name, _, n_dated, n_after, dated, _ in rows
    ]
    sentence = f"Measured after the set-up: {'; '.join(said)}."
    reason = (
        f"Fails when more than {100 * MOST_AFTER:.0f} % of any kind came after; informs when fewer "
        f"than {100 * LEAST_DATED:.0f} % of any kind could be dated."
    )
    late = {name for name, *_, share in rows if share is not None and share > MOST_AFTER}
    if late:
        bears_on = evidence.pool.outcomes if late - {ONLY_SURVIVAL} else (SURVIVAL,)
        return ABOUT.judged(bears_on, sentence, table, reason)
    if any(dated < LEAST_DATED for *_, dated, _ in rows):
        return ABOUT.informational(sentence, table, reason)
    return ABOUT.judged((), sentence, table, reason)
