"""Pool to small frames: what the figures and tables of the report show."""

from __future__ import annotations

import polars as pl

from models.vocabulary import LEVELS
from reports.context import Pool
from reports.tables import FEW, hide_small, small_cells
from reports.wording import NO_BREAK, RULE_WORDS, number, winter_name

UNKNOWN = "not recorded"
_LEVEL_ORDER = [*LEVELS, UNKNOWN]

# Outcome -> column of colony_winters, and the column that says why it is missing.
OUTCOME_COLUMNS = {
    "stores use": ("stores_use_kg", "stores_reason"),
    "survival": ("is_alive", "survival_reason"),
    "spring strength": ("spring_strength_frames", "spring_strength_reason"),
}


def with_level(frame: pl.DataFrame) -> pl.DataFrame:
    """Give units without a recorded set-up a level of their own."""
    return frame.with_columns(pl.col("level").fill_null(UNKNOWN))


def _by_level(frame: pl.DataFrame, *measures: pl.Expr) -> pl.DataFrame:
    """Summarise by level, in the order of the levels, with the members behind each."""
    found = (
        with_level(frame)
        .group_by("level")
        .agg(pl.len().cast(pl.Int64).alias("n_units"), _members(), *measures)
    )
    return _in_order(found)


def _in_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Sort by level, from none to full; rows of one level keep their order."""
    order = {name: i for i, name in enumerate(_LEVEL_ORDER)}
    by = pl.col("level").replace_strict(order, return_dtype=pl.Int64)
    return frame.sort(by, maintain_order=True)


def _members() -> pl.Expr:
    return pl.col("member_id").drop_nulls().n_unique().cast(pl.Int64).alias("n_members")


def counted_frames() -> pl.Expr:
    """Spring frames as the headline counts them: a colony that died counts zero."""
    frames = pl.col("spring_strength_frames")
    return pl.when(pl.col("is_alive") == False).then(0.0).otherwise(frames)  # noqa: E712


def raw_by_level(pool: Pool) -> pl.DataFrame:
    """Count and average the colony-winters by level, nothing adjusted.

    Returns
    -------
    polars.DataFrame
        One row a level: level, n_units, n_members, n_known, n_alive, survival [%], n_stores,
        stores_use_kg, n_frames, frames, is_hidden; values of levels with too few members are null.

    Notes
    -----
    ``frames`` counts a dead colony as zero: the share alive times the mean of the ``n_frames``
    survivors counted. Averaging the dead with the counted survivors would weigh the dead more
    wherever survivors went uncounted.
    """
    frames = pl.col("spring_strength_frames").filter(pl.col("is_alive"))
    found = _by_level(
        pool.shown,
        pl.col("is_alive").count().cast(pl.Int64).alias("n_known"),
        pl.col("is_alive").sum().cast(pl.Int64).alias("n_alive"),
        (pl.col("is_alive").mean() * 100).alias("survival"),
        pl.col("stores_use_kg").count().cast(pl.Int64).alias("n_stores"),
        pl.col("stores_use_kg").mean(),
        frames.count().cast(pl.Int64).alias("n_frames"),
        (pl.col("is_alive").mean() * frames.mean()).alias("frames"),
    )
    hidden = [c for c in found.columns if c not in ("level", "n_members")]
    return hide_small(found, [*hidden, "n_members"], minimum=pool.minimum_cell)


def rejections(pool: Pool) -> pl.DataFrame:
    """Count rejected rows by record, column and rule in words; values and names stay behind."""
    where = ["file_sha256", "sheet", "row", "record"]
    is_known = pl.col("record").fill_null("") != ""
    record = pl.when(is_known).then("record").otherwise(pl.lit("not told apart"))
    return (
        pool.rejected_rows.with_columns(
            record.str.replace_all("_", " ").alias("record"), pl.col("rule").replace(RULE_WORDS)
        )
        .group_by("record", "column", "rule")
        .agg(pl.struct(where).n_unique().cast(pl.Int64).alias("n_rows"))
        .sort("n_rows", "record", "column", "rule", descending=[True, False, False, False])
    )


def flow(pool: Pool) -> pl.DataFrame:
    """Follow the rows and units from what was received to what is analysed.

    Returns
    -------
    polars.DataFrame
        Columns step, kept, left, why: what goes on and what stays behind at each step. At every
        step of one kind (rows, records, colony-winters), kept + left is what the step before
        kept. A row counts once, however many records it holds; one that holds an accepted and a
        rejected record is a rejected row, and its accepted record counts.
    """
    made, superseded = pool.records.select(pl.col("accepted", "superseded").sum()).row(0)
    files = pool.files.select(pl.col("rows_read", "rows_accepted", "rows_rejected").fill_null(0))
    read, accepted, rejected = files.sum().row(0)
    units = pool.units
    steps: list[tuple[str, int, int, str]] = [
        ("rows received", read, 0, ""),
        ("rows accepted", accepted, rejected, "rejected, with a reason"),
        ("records in rows", made, 0, ""),
        ("records in use", made - superseded, superseded, "replaced by a newer one"),
        ("colony-winters spoken of", pool.colony_winters.height, 0, ""),
        (
            "colony-winters analysed",
            units.height,
            pool.colony_winters.height - units.height,
            "left out, with a reason",
        ),
    ]
    for outcome, (column, _) in OUTCOME_COLUMNS.items():
        known = units[column].count()
        steps.append((f"with {outcome}", known, units.height - known, "unknown, with a reason"))
    schema = {"step": pl.String, "kept": pl.Int64, "left": pl.Int64, "why": pl.String}
    found = pl.DataFrame(steps, schema=schema, orient="row")
    return found.with_columns(why=pl.when(pl.col("left") > 0).then("why").otherwise(pl.lit("")))


_OTHER_REASONS = "other reasons, each from few members"


def _reasons(frame: pl.DataFrame, reason: pl.Expr, what: str, minimum: int) -> pl.DataFrame:
    """Count the units of ``frame`` by reason; reasons of too few members are put together."""
    by_reason = (
        frame.group_by(reason.alias("reason"))
        .agg(pl.len().cast(pl.Int64).alias("n_units"), _members())
        .with_columns(
            pl.when(pl.col("n_members") < minimum)
            .then(pl.lit(_OTHER_REASONS))
            .otherwise(pl.col("reason"))
            .alias("reason")
        )
    )
    return (
        by_reason.group_by("reason")
        .agg(pl.col("n_units").sum())
        .sort("n_units", "reason", descending=[True, False])
        .select(pl.lit(what).alias("what"), "reason", "n_units")
    )


def exclusions(pool: Pool) -> pl.DataFrame:
    """Count every unit and every outcome left out, by reason (what, reason, n_units)."""
    left_out = pool.colony_winters.filter(pl.col("exclusion_reason").is_not_null())
    parts = [_reasons(left_out, pl.col("exclusion_reason"), "left out", pool.minimum_cell)]
    for outcome, (column, reason) in OUTCOME_COLUMNS.items():
        missing = pool.units.filter(pl.col(column).is_null())
        why = pl.col(reason).fill_null("reason not recorded")
        parts.append(_reasons(missing, why, f"no {outcome}", pool.minimum_cell))
    return pl.concat(parts)


def missing_by_level(pool: Pool) -> pl.DataFrame:
    """Count unknown outcomes and disasters by level, because unequal shares can mislead.

    Returns
    -------
    polars.DataFrame
        One row a level, as text. A level of few members is a word, and so are losses to disaster
        that struck few members; a gap follows from the counts of the raw table and is shown.
    """
    gaps = {f"no {o}": pl.col(column).is_null() for o, (column, _) in OUTCOME_COLUMNS.items()}
    is_disaster = pl.col("is_disaster")
    found = _by_level(
        pool.units,
        *(is_gap.sum().cast(pl.Int64).alias(name) for name, is_gap in gaps.items()),
        is_disaster.sum().cast(pl.Int64).alias("disasters"),
        pl.col("member_id").filter(is_disaster).n_unique().alias("n_struck"),
    )
    few_units = small_cells(found["n_members"].to_list(), pool.minimum_cell)
    few_struck = small_cells(found["n_struck"].to_list(), pool.minimum_cell)
    shown = []
    for row, is_few, is_struck in zip(found.to_dicts(), few_units, few_struck, strict=True):
        cells = {"level": row["level"], "n_units": FEW if is_few else number(row["n_units"])}
        for gap in gaps:
            share = f"{number(row[gap])} ({number(100 * row[gap] / row['n_units'])}{NO_BREAK}%)"
            cells[gap] = FEW if is_few else share
        cells["disasters"] = FEW if is_few or is_struck else number(row["disasters"])
        shown.append(cells)
    return pl.DataFrame(
        shown, schema=dict.fromkeys(("level", "n_units", *gaps, "disasters"), pl.String)
    )


def levels_by_winter(pool: Pool) -> pl.DataFrame:
    """Count analysed colony-winters by winter and level, wide, as text; few members give a word."""
    found = (
        with_level(pool.units)
        .group_by("winter", "level")
        .agg(pl.len().alias("n_units"), _members())
        .sort("winter", "level")
    )
    if found.is_empty():
        return pl.DataFrame(schema={"winter": pl.String})
    parts = []
    for _, part in found.group_by("winter", maintain_order=True):
        hidden = hide_small(part, [], minimum=pool.minimum_cell)
        text = pl.col("n_units").map_elements(number, return_dtype=pl.String)
        shown = pl.when("is_hidden").then(pl.lit(FEW)).otherwise(text)
        parts.append(hidden.select("winter", "level", shown.alias("shown")))
    wide = pl.concat(parts).pivot("level", index="winter", values="shown").sort("winter")
    names = [name for name in _LEVEL_ORDER if name in wide.columns]
    return wide.select(
        pl.col("winter").map_elements(winter_name, return_dtype=pl.String),
        pl.col(names).fill_null("0"),
    )


def stage_balances(pool: Pool) -> pl.DataFrame:
    """Count what came into each stage, was kept and was excluded (stage, counted, in, …)."""
    return (
        pool.accounts.group_by("stage", "counted", maintain_order=True)
        .agg(
            pl.col("n").filter(pl.col("status") == status).sum().cast(pl.Int64).alias(status)
            for status in ("in", "kept", "excluded")
        )
        .with_columns(pl.col("stage").str.replace_all("_", " "))
    )


def winters(pool: Pool) -> pl.DataFrame:
    """Summarise each winter, whatever is known of it; winters of few members give null."""
    found = (
        pool.wintered.group_by("winter")
        .agg(
            pl.len().cast(pl.Int64).alias("n_units"),
            _members(),
            pl.col("apiary_id").n_unique().cast(pl.Int64).alias("n_apiaries"),
            pl.col("is_alive").count().cast(pl.Int64).alias("n_known"),
            pl.col("is_alive").sum().cast(pl.Int64).alias("n_alive"),
            (pl.col("is_alive").mean() * 100).alias("survival"),
            pl.col("cold_kd_per_day").mean().alias("cold"),
        )
        .sort("winter")
        .with_columns(pl.col("winter").map_elements(winter_name, return_dtype=pl.String))
    )
    hidden = [c for c in found.columns if c not in ("winter", "n_members")]
    return hide_small(found, [*hidden, "n_members"], minimum=pool.minimum_cell)


def apiary_cold(pool: Pool) -> pl.DataFrame:
    """Mean cold of each apiary in each winter (winter, cold); winters of few members left out."""
    by_winter = pool.shown.group_by("winter").agg(_members()).sort("winter")
    shown = hide_small(by_winter, [], minimum=pool.minimum_cell).filter(~pl.col("is_hidden"))
    return (
        pool.shown.filter(pl.col("winter").is_in(shown["winter"].implode()))
        .group_by("winter", "apiary_id")
        .agg(pl.col("cold_kd_per_day").mean().alias("cold"))
        .drop_nulls("cold")
        .sort("winter", "apiary_id")
        .drop("apiary_id")
    )


def comparing_members(pool: Pool) -> int:
    """Count the members who wintered colonies at more than one level: they carry the answer."""
    used = (
        pool.units.filter(pl.col("level").is_not_null())
        .group_by("member_id")
        .agg(pl.col("level").n_unique().alias("levels_used"))
    )
    return used.filter(pl.col("levels_used") > 1).height


def set_ups(pool: Pool) -> pl.DataFrame:
    """Describe the hives of each level: conductance, openings, absorbers, draws."""
    found = _by_level(
        pool.units,
        pl.col("conductance_w_per_k").count().cast(pl.Int64).alias("n_conductance"),
        pl.col("conductance_w_per_k").mean().alias("conductance"),
        ((pl.col("top_opening") == "open").mean() * 100).alias("open_pct"),
        (pl.col("has_moisture_absorber").mean() * 100).alias("absorber_pct"),
        ((pl.col("assignment") == "randomised").mean() * 100).alias("randomised_pct"),
    )
    hidden = [c for c in found.columns if c not in ("level", "n_members")]
    return hide_small(found, hidden, minimum=pool.minimum_cell)


def mites_by_method(pool: Pool) -> pl.DataFrame:
    """Count the mite samples by method."""
    found = (
        _shown_samples(pool)
        .group_by("method")
        .agg(
            pl.len().cast(pl.Int64).alias("n_samples"),
            pl.struct("colony_id", "winter").n_unique().cast(pl.Int64).alias("n_units"),
            _members(),
            pl.col("mites_per_100_bees").median().alias("median_load"),
        )
        .sort("method")
    )
    hidden = ["n_samples", "n_units", "median_load"]
    return hide_small(found, hidden, minimum=pool.minimum_cell)


def _shown_samples(pool: Pool) -> pl.DataFrame:
    units = pool.shown.select("colony_id", "winter", "member_id", "level")
    return pool.mite_samples.join(units, on=["colony_id", "winter"], how="inner")


def _unit_loads(pool: Pool) -> pl.DataFrame:
    """Mean mites per 100 bees of the washes and rolls of each colony-winter that has any."""
    return (
        _shown_samples(pool)
        .group_by("colony_id", "winter", maintain_order=True)
        .agg(pl.col("mites_per_100_bees").mean().alias("load"))
        .drop_nulls("load")
    )


def mite_loads(pool: Pool) -> pl.DataFrame:
    """Mites per 100 bees of each colony-winter washed or rolled (level, load); no small groups."""
    loads = with_level(pool.shown.join(_unit_loads(pool), on=["colony_id", "winter"]))
    shown = hide_small(_by_level(loads), [], minimum=pool.minimum_cell).filter(~pl.col("is_hidden"))
    return loads.filter(pl.col("level").is_in(shown["level"].implode())).select("level", "load")


def mites_by_level(pool: Pool) -> pl.DataFrame:
    """Summarise counting and treating by level: units, sampled, treated, median load."""
    found = _by_level(
        pool.shown.join(_unit_loads(pool), on=["colony_id", "winter"], how="left"),
        (pl.col("mite_counts_used") > 0).sum().cast(pl.Int64).alias("n_sampled"),
        pl.col("load").count().cast(pl.Int64).alias("n_loads"),
        pl.col("load").median().alias("median_load"),
        (pl.col("was_treated").mean() * 100).alias("treated_pct"),
        pl.col("was_treated").count().cast(pl.Int64).alias("n_treatment_known"),
    )
    hidden = [c for c in found.columns if c not in ("level", "n_members")]
    return hide_small(found, hidden, minimum=pool.minimum_cell)


def sensors_by_level(pool: Pool) -> pl.DataFrame:
    """Summarise what loggers tell by level, each median with the colony-winters behind it."""
    units = pool.shown.filter(pl.col("sensor_days").fill_null(0) > 0)
    warmth, risk = pl.col("in_hive_temperature_mean_c"), pl.col("condensation_risk_h")
    onset = pl.col("brood_onset_on").dt.ordinal_day()
    found = _by_level(
        units,
        pl.col("sensor_days").sum().cast(pl.Int64),
        warmth.median().alias("temperature_c"),
        warmth.count().cast(pl.Int64).alias("n_temperature"),
        risk.median().alias("risk_h"),
        risk.count().cast(pl.Int64).alias("n_risk"),
        pl.when(risk.is_not_null()).then("condensation_measured_h").median().alias("measured_h"),
        onset.median().alias("onset_day"),
        onset.count().cast(pl.Int64).alias("n_onset"),
    ).with_columns(
        pl.when(pl.col("onset_day").is_not_null())
        .then(pl.date(2023, 1, 1) + pl.duration(days=pl.col("onset_day") - 1))
        .dt.strftime("%-d %B")
        .alias("onset")
    )
    hidden = [c for c in found.columns if c not in ("level", "n_members")]
    return hide_small(found, hidden, minimum=pool.minimum_cell)


def sensor_positions(pool: Pool) -> pl.DataFrame:
    """Mean temperature and humidity by position and level, October to April."""
    parts = [
        hide_small(
            part,
            ["n_units", "days", "temperature_c", "humidity_pct"],
            minimum=pool.minimum_cell,
        )
        for _, part in _in_order(pool.sensors).group_by("position", maintain_order=True)
    ]
    return pl.concat(parts) if parts else pool.sensors
