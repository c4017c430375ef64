"""One long log: a row an event, its kind in one column and figures in two others."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import polars as pl

from pipeline.demo.styles import Records, as_text, tally


def write_log(inbox: Path, member: str, records: Records) -> Counter[str]:
    """Write one member's log: a row an event, its kind in one column and figures in two others."""

    def events(
        frame: pl.DataFrame,
        what: str | pl.Expr,
        *,
        value: str | None = None,
        second: str | None = None,
        detail: str,
        when: str | None = None,
        winter: str | None = None,
    ) -> pl.DataFrame:
        def taken(column: str | None) -> pl.Expr:
            return pl.lit(None, dtype=pl.String) if column is None else pl.col(column)

        return as_text(
            frame.select(
                When=taken(when),
                Colony="colony_id",
                Winter=taken(winter),
                What=pl.lit(what) if isinstance(what, str) else what,
                Value=taken(value),
                Second=taken(second),
                Detail=taken(detail),
            )
        )

    counts = records["mite_counts"].with_columns(
        figure=pl.coalesce(pl.col("bees_sampled", "board_days").cast(pl.String))
    )
    is_board = pl.col("method") == "sticky board"
    log = [
        events(
            records["weighings"],
            "weight",
            when="weighed_on",
            value="gross_kg",
            second="parts_added_kg",
            detail="method",
        ),
        events(
            records["strength_inspections"],
            "bees",
            when="inspected_on",
            value="frames_of_bees",
            second="frames_of_brood",
            detail="method",
        ),
        events(records["feedings"], "feed", when="fed_on", value="mass_kg", detail="feed"),
        events(records["treatments"], "treatment", when="applied_on", detail="active_ingredient"),
        events(
            records["set_ups"],
            "wrapped",
            when="installed_on",
            winter="winter",
            value="lower_entrance_width_mm",
            second="work_h",
            detail="top_opening",
        ),
        events(
            records["set_up_layers"],
            pl.format("layer {}", "surface"),
            winter="winter",
            value="thickness_mm",
            detail="material",
        ),
        events(
            records["winter_outcomes"], "spring", when="checked_on", winter="winter", detail="state"
        ),
        events(
            counts,
            pl.when(is_board)
            .then(pl.lit("board"))
            .when(pl.col("sample_no") == 2)
            .then(pl.lit("second wash"))
            .otherwise(pl.lit("wash")),
            when="sampled_on",
            value="mites_counted",
            second="figure",
            detail="method",
        ),
    ]
    pl.concat(log).write_csv(inbox / f"{member} log.csv")
    sent = tally(records)
    del sent["colonies"]
    return sent
