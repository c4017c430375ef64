"""Members' ways of keeping records, and the writers they share.

Five styles: our own templates (gathered by two branches of the association), a
notebook in pounds and inches with month-first dates, a semicolon file with
decimal commas in an invented tongue, one workbook with many sheets, and one
long log. The invented tongue means nothing; its letters need Latin-1.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.contracts import Contract, load_contracts
from pipeline.templates import notes_row

Records = Mapping[str, pl.DataFrame]

BRANCHES = ("lower-valley", "upper-valley")
"""The branches whose secretaries gather the templates of their members."""


def of_members(records: Records, members: list[int]) -> dict[str, pl.DataFrame]:
    """Keep the rows of some members, without the column that names them."""
    return {
        name: frame.filter(pl.col("member").is_in(members)).drop("member")
        for name, frame in records.items()
    }


def as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Write every cell in the contracts' own form."""
    words = [
        pl.when(pl.col(name)).then(pl.lit("yes")).when(~pl.col(name)).then(pl.lit("no")).alias(name)
        for name, dtype in frame.schema.items()
        if dtype == pl.Boolean
    ]
    return frame.with_columns(words).with_columns(pl.all().cast(pl.String))


def write_template(
    path: Path, contract: Contract, frame: pl.DataFrame, *, has_notes: bool = False
) -> None:
    """Fill one of our templates: all its columns in their order, with or without the notes row."""
    names = [field.name for field in contract.fields]
    text = as_text(frame).with_columns(
        pl.lit(None, dtype=pl.String).alias(n) for n in names if n not in frame.columns
    )
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        if has_notes:
            writer.writerow(notes_row(contract))
        writer.writerows(text.select(names).iter_rows())


def write_templates_of(
    inbox: Path, name: str, records: Records, *, has_notes: bool = False
) -> Counter[str]:
    """Fill a template for each record that has rows, and count the rows."""
    contracts = load_contracts()
    sent: Counter[str] = Counter()
    for record, frame in records.items():
        if frame.height:
            path = inbox / f"{name}_{record}.csv"
            write_template(path, contracts[record], frame, has_notes=has_notes)
            sent[record] += frame.height
    return sent


def prices(years: tuple[int, ...], currency: str) -> pl.DataFrame:
    """Invented prices in a currency that ISO 4217 keeps for tests; some lie in a range."""
    amounts: dict[str, tuple[float, float | None, float | None]] = {
        "stores per kg": (6.5, 5.0, 9.0),
        "feed sugar per kg": (1.3, None, None),
        "spring frame of bees": (14.0, 9.0, 20.0),
        "replacement colony": (160.0, 120.0, 210.0),
        "work per hour": (18.0, None, None),
        "insulation top": (9.0, None, None),
        "insulation partial": (28.0, None, None),
        "insulation full": (36.0, 28.0, 55.0),
    }
    rows = [
        (item, year, *(v and round(v * 1.03**step, 2) for v in given), currency)
        for step, year in enumerate(years)
        for item, given in amounts.items()
    ]
    columns = {
        "item": pl.String,
        "winter": pl.Int64,
        **dict.fromkeys(("amount", "amount_low", "amount_high"), pl.Float64),
        "currency": pl.String,
    }
    return pl.DataFrame(rows, schema=columns, orient="row")


def consents(member_id: list[str]) -> pl.DataFrame:
    """What each member agreed to: of the first nine the fifth refuses, and every ninth after it."""
    agreed = [number % 9 != 4 for number in range(len(member_id))]
    return pl.DataFrame({"member_id": member_id, "may_publish": agreed})


def layers_beside(records: Records) -> pl.DataFrame:
    """Set-ups with the layer of sides, top and bottom beside them, as a notebook has them.

    Returns
    -------
    polars.DataFrame
        The columns of ``set_ups``, and ``SURFACE_material``, ``SURFACE_mm`` and ``is_sealed``.
    """
    frame = records["set_ups"]
    for surface in ("sides", "top", "bottom"):
        layer = records["set_up_layers"].filter(pl.col("surface") == surface)
        frame = frame.join(
            layer.select(
                "colony_id",
                "winter",
                pl.col("material").alias(f"{surface}_material"),
                pl.col("thickness_mm").alias(f"{surface}_mm"),
            ),
            on=["colony_id", "winter"],
            how="left",
            maintain_order="left",
        )
    return frame


OWN_RECORDS = (
    "colonies",
    "set_ups",
    "set_up_layers",
    "weighings",
    "strength_inspections",
    "mite_counts",
    "feedings",
    "treatments",
    "winter_outcomes",
)
"""Records that members with a style of their own keep themselves."""


def tally(records: Records) -> Counter[str]:
    """Count the rows of the records that members keep themselves."""
    return Counter({name: records[name].height for name in OWN_RECORDS})


def renamed(frame: pl.DataFrame, headings: dict[str, str]) -> pl.DataFrame:
    """Take the columns in the order of ``headings`` and name them so."""
    return frame.select(pl.col(column).alias(name) for column, name in headings.items())


def coded(frame: pl.DataFrame, column: str, codes: dict[str, str]) -> pl.DataFrame:
    """Write a column in a member's own words; words without one stay."""
    return frame.with_columns(pl.col(column).replace(codes))


def feed_and_treatments(records: Records) -> pl.DataFrame:
    """One book of what was given: a row is a feed or a treatment."""
    feed = records["feedings"].select(
        "colony_id",
        on="fed_on",
        kind=pl.lit("feed"),
        what="feed",
        mass_kg="mass_kg",
        dose=pl.lit(None, dtype=pl.Float64),
        dose_unit=pl.lit(None, dtype=pl.String),
    )
    treatment = records["treatments"].select(
        "colony_id",
        on="applied_on",
        kind=pl.lit("treatment"),
        what="active_ingredient",
        mass_kg=pl.lit(None, dtype=pl.Float64),
        dose="dose",
        dose_unit="dose_unit",
    )
    return pl.concat([feed, treatment]).sort("on", "colony_id")
