"""Words, dictionary, fit and files: what the reader needs to check the report."""

from __future__ import annotations

import polars as pl

from pipeline.contracts import data_dictionary, load_contracts, load_derived_contracts
from reports.blocks import folded, show_table, slug
from reports.context import Pool
from reports.wording import (
    PROBABILITY_WORDS,
    markdown_text,
    number,
)


def probability_table() -> pl.DataFrame:
    """List the one table of probability words."""
    rows = [(word, f"at least {number(100 * least)} %") for least, word in PROBABILITY_WORDS]
    return pl.DataFrame(rows, schema=["word", "least"], orient="row")


def say_dictionary() -> None:
    """Print the data dictionary, one table a record or derived table."""
    groups = {
        "What members send": load_contracts(),
        "What is derived from it": load_derived_contracts(),
    }
    for title, contracts in groups.items():
        dictionary = data_dictionary(contracts).with_columns(
            pl.when("is_private")
            .then(pl.col("description") + " (private)")
            .otherwise("description")
            .alias("description"),
            pl.when("is_required").then(pl.lit("yes")).otherwise(pl.lit("")).alias("required"),
            # a run of a dozen names or more is kept in the templates
            pl.when(pl.col("allowed").str.len_chars() > 160)
            .then(pl.col("allowed").str.slice(0, 160) + " …")
            .otherwise("allowed")
            .alias("allowed"),
        )
        with folded(title):
            for name, contract in contracts.items():
                show_table(
                    f"dictionary-{slug(name)}",
                    f"*{markdown_text(contract.title)}* ({markdown_text(name)}). "
                    f"{markdown_text(contract.description)}",
                    dictionary.filter(pl.col("table") == name),
                    {
                        "column": "Column",
                        "type": "Type",
                        "unit": "Unit",
                        "required": "Required",
                        "allowed": "Allowed",
                        "description": "Meaning",
                    },
                )


def _flat(value: object, name: str = "") -> list[tuple[str, str]]:
    if isinstance(value, dict):
        return [
            pair for key, item in value.items() for pair in _flat(item, f"{name} {key}".strip())
        ]
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return [pair for i, item in enumerate(value, 1) for pair in _flat(item, f"{name} {i}")]
    if isinstance(value, list):
        return [(name.replace("_", " "), ", ".join(str(item) for item in value))]
    return [(name.replace("_", " "), str(value))]


def run_table(pool: Pool) -> pl.DataFrame:
    """List what ``run.json`` says of the fit, and the version that made this page."""
    from importlib.metadata import version

    rows = [("report made by", f"winterpool {version('winterpool')}"), *_flat(pool.run)]
    if not pool.run:
        rows.append(("fit", "no fit has been done"))
    return pl.DataFrame(rows, schema=["what", "value"], orient="row")


def file_table(pool: Pool) -> pl.DataFrame:
    """List files by digest, without their names."""
    return pool.files.sort("file_no").select(
        pl.col("file_sha256").str.slice(0, 16),
        "size_bytes",
        "status",
        "rows_accepted",
        "rows_rejected",
        "ingested_at",
    )
