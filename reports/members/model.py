"""What the model says for a place like the member's, or why it says nothing."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.estimands import THIRDS
from models.standardised import COLD
from models.vocabulary import OUTCOMES
from pipeline.html_pages import paragraph
from pipeline.languages import Words
from reports.context import Pool
from reports.members.compare import Records
from reports.members.figures import figure_html, model_figure
from reports.verdict import judge, load_checks
from reports.wording import decimals_of

_CONTRASTS = ("full vs none", "partial vs none", "top vs none")
_KEYS = {"stores use": "stores", "survival": "survival", "spring strength": "strength"}
_LEAST_RANGE = 0.5  # below it the pool is not cut into thirds (models/estimands.py)


def cold_of(records: Records, member: str) -> float | None:
    """Mean degree-days per day over the member's colony-winters."""
    own = records.units.filter(pl.col("member_id") == member)["cold_kd_per_day"].drop_nulls()
    return float(own.mean()) if len(own) else None  # type: ignore[arg-type]


def third_of(pool: Pool, cold: float | None) -> str | None:
    """Name the third of the analysed colony-winters in whose range of cold a place lies.

    The cuts are those of ``models.estimands``: thirds of the recorded cold, by colony-winter.
    """
    known = pool.units["cold_kd_per_day"].drop_nulls().to_numpy()
    if cold is None or not len(known) or np.ptp(known) <= _LEAST_RANGE:
        return None
    cuts = np.quantile(known, [1 / 3, 2 / 3])
    return THIRDS[int(np.searchsorted(cuts, cold, side="right"))]


def _rows(pool: Pool, subgroup: str) -> pl.DataFrame:
    return pool.estimands.filter(
        (pl.col("measure") == "difference")
        & (pl.col("horizon") == "these winters")
        & (pl.col("subgroup") == subgroup)
        & pl.col("contrast").is_in(_CONTRASTS)
    )


def _shown(pool: Pool, subgroup: str, minimum: int) -> tuple[pl.DataFrame, bool]:
    """Estimates of enough members, the member's self not counted; and whether any were hidden."""
    estimated = _rows(pool, subgroup).filter(pl.col("status") == "estimated")
    is_enough = pl.col("n_members") > minimum
    return estimated.filter(is_enough), not estimated.filter(~is_enough).is_empty()


def _told(row: dict, w: Words) -> dict[str, str]:
    unit, decimals = row["unit"], decimals_of(row["unit"])
    return {
        "mean": w.quantity(row["mean"], unit, decimals, signed=True),
        "low": w.number(row["q2.5"], decimals, signed=True),
        "high": w.number(row["q97.5"], decimals, signed=True),
    }


def _sentences(pool: Pool, rows: pl.DataFrame, w: Words) -> list[str]:
    checks = load_checks(pool)
    said = []
    for outcome in OUTCOMES:
        full = rows.filter((pl.col("outcome") == outcome) & (pl.col("contrast") == _CONTRASTS[0]))
        for row in full.to_dicts():
            seen = judge(row["p_benefit"], outcome, checks).verdict
            ending = {1: "", -1: "_not", 0: "_unclear"}[seen.direction]
            key = f"model.sentence_{_KEYS[outcome]}{ending}"
            chance = w(f"probability.{seen.word.replace(' ', '_')}")
            said.append(w(key, chance=chance, **_told(row, w)))
    return said


def _at_cold(pool: Pool, cold: float | None, minimum: int, w: Words) -> list[str]:
    """Read the curve along the cold at the member's place; nothing beyond its ends."""
    curve = pool.conditions.filter(
        (pl.col("condition") == COLD) & (pl.col("contrast") == _CONTRASTS[0])
    ).sort("value")
    whole, _ = _shown(pool, "all", minimum)
    values = []
    for outcome in OUTCOMES:
        here = curve.filter(pl.col("outcome") == outcome)
        is_told = not whole.filter(pl.col("outcome") == outcome).is_empty()
        if cold is None or here.is_empty() or not is_told:
            continue
        at = here["value"].to_numpy()
        if not at[0] <= cold <= at[-1]:
            continue
        unit = here["unit"][0]
        row = {c: float(np.interp(cold, at, here[c].to_numpy())) for c in ("mean", "q2.5", "q97.5")}
        name = w(f"model.{_KEYS[outcome]}")
        told = w("model.at_cold_value", outcome=name.lower(), **_told(row | {"unit": unit}, w))
        values.append(told)
    if not values or cold is None:
        return []
    return [w("model.at_cold", cold=w.number(cold, 1), values="; ".join(values))]


def model_section(records: Records, member: str, w: Words, invented: str) -> list[str]:
    """Write the section: estimates for the member's third of places, or for the pool."""
    pool = records.pool
    minimum = pool.minimum_cell
    head = [f"<h2>{w('model.title')}</h2>"]
    whole = _rows(pool, "all")
    if whole.is_empty():
        return [*head, paragraph(w("model.none"))]
    if "estimated" not in whole["status"].to_list():
        has_failed = "not converged" in whole["status"].to_list()
        return [*head, paragraph(w("model.not_converged" if has_failed else "model.cannot"))]
    cold = cold_of(records, member)
    third = third_of(pool, cold)
    rows, was_hidden = _shown(pool, third, minimum) if third else (whole.clear(), False)
    place = w.word(third or "")
    parts = list(head)
    if third and cold is not None:
        parts.append(paragraph(w("model.place", cold=w.number(cold, 1), third=place)))
    if rows.is_empty():
        why = w("model.third_few", minimum=minimum) if was_hidden else w("model.third_none")
        parts.append(paragraph(why))
        rows, _ = _shown(pool, "all", minimum)
        place = w("model.for_all")
        if rows.is_empty():
            return [*head, paragraph(w("model.cannot"))]
    parts += [paragraph(sentence) for sentence in _sentences(pool, rows, w)]
    panels: dict[str, list[dict]] = {}
    alts = []
    for outcome in OUTCOMES:
        here = rows.filter(pl.col("outcome") == outcome).to_dicts()
        here.sort(key=lambda row: _CONTRASTS.index(row["contrast"]))
        if not here:
            continue
        name = w(f"model.{_KEYS[outcome]}")
        panels[f"{name} [{w.unit(here[0]['unit'])}]"] = here
        told = "; ".join(
            w("model.alt_row", contrast=_contrast(row["contrast"], w), **_told(row, w))
            for row in here
        )
        alts.append(w("model.alt", outcome=name, rows=told))
    caption = w("model.caption", place=place)
    parts.append(
        figure_html(model_figure(panels, w), " ".join(f"{a}." for a in alts), caption, invented)
    )
    parts += [paragraph(sentence) for sentence in _at_cold(pool, cold, minimum, w)]
    return [*parts, paragraph(w("model.own"))]


def _contrast(contrast: str, w: Words) -> str:
    return w("model.vs_none", level=w.word(contrast.partition(" vs ")[0]))
