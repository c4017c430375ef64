"""From what refits found to checks of the finding; every rule stood before any result."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from models.checks.base import About, Check
from models.refits.base import (
    AUTUMN_STRENGTH,
    CUT,
    FRAMES,
    RULE,
    Found,
    has_moved,
    own_answers,
    shift_sd,
)
from models.refits.choices import CHOICES, choice_variations
from models.refits.dose import DOSE
from models.refits.subsets import COMPLETE_CASES, DRAWN_BY_LOT, MOST_LEFT_OUT, WITHOUT_ONE
from models.tables import ESTIMATED, NOT_POSSIBLE
from models.trial.as_assigned import AS_ASSIGNED
from models.vocabulary import OUTCOMES

# Half a frame of bees is less than one count of a single colony can tell (a tenth of eight frames),
# and by the priors' typical slope moves survival by about two points. Common practice, no source.
LEAST_FRAMES: Final = 0.5
# With limits wider than this the check would pass whatever keepers did: colonies of one yard
# differ by about a frame and a half. Common practice, no source.
MOST_HALF_WIDTH: Final = 1.5
TO_RUN: Final = "It needs refits, which take minutes each: winterpool refit STUDY."
OWN: Final = "the study's own"

ABOUTS: Final = {
    about.name: about
    for about in (
        About(
            COMPLETE_CASES,
            "Complete cases",
            "Is the answer the same from the colony-winters with nothing missing?",
        ),
        About(
            DRAWN_BY_LOT,
            "Set-ups drawn by lot",
            "Is the answer the same where a draw, and not the keeper, decided the set-up?",
        ),
        About(
            AS_ASSIGNED,
            "Set-ups as drawn",
            "Is the answer the same when drawn colonies count at the level of the lot?",
        ),
        About(
            CHOICES,
            "Other defensible choices",
            "Would other dates, thresholds and adjustments give another answer?",
        ),
        About(
            DOSE,
            "A dose in place of levels",
            "Does one slope per log conductance of the hive say the same as the levels?",
        ),
        About(
            CUT,
            "Mites from counts alone",
            "Is the answer the same when outcomes may not tell how many mites there were?",
        ),
        About(
            AUTUMN_STRENGTH,
            "An outcome the set-up cannot have made",
            "Does the model find an effect on strength counted before the set-up was put on?",
        ),
        About(
            WITHOUT_ONE,
            "Refits without single members or apiaries",
            "Does the answer hang on one of those whom reweighting could not judge?",
        ),
    )
}
SCHEMA: Final = {
    "words": pl.String,
    "outcome": pl.String,
    "unit": pl.String,
    "mean": pl.Float64,
    "q2.5": pl.Float64,
    "q97.5": pl.Float64,
    "own_mean": pl.Float64,
    "shift_sd": pl.Float64,
    "is_moved": pl.Boolean,  # further than the rule allows
    "n_units": pl.Int64,
    "r_hat": pl.Float64,
    "ess": pl.Float64,
    "status": pl.String,
    "reason": pl.String,
}
Own = dict[str, dict[str, Any]]


def _own_rows(own: Own) -> list[dict[str, Any]]:
    return [
        {name: row.get(name) for name in SCHEMA}
        | {"words": OWN, "reason": "", "own_mean": row["mean"], "shift_sd": 0.0, "is_moved": False}
        for row in own.values()
    ]


def _rows(found: Found, own: Own) -> list[dict[str, Any]]:
    """Rows of a refit beside the study's own answer, of the outcomes that have one."""
    made = []
    for row in found.rows:
        answer = own.get(row["outcome"])
        if answer is None:
            continue
        is_sure = row["status"] == ESTIMATED
        made.append(
            {name: row.get(name) for name in SCHEMA}
            | {
                "words": found.words,
                "own_mean": answer["mean"],
                "shift_sd": shift_sd(answer, row) if is_sure else None,
                "is_moved": is_sure and has_moved(answer, row),
                "reason": row["reason"]
                or ("These records stay as they are." if found.told.get("is_same") else ""),
            }
        )
    return made


def _moved(founds: list[Found], own: Own) -> tuple[str, ...]:
    """Outcomes whose answer one of the refits moves too far, in their order."""
    moved = {
        row["outcome"]
        for found in founds
        for row in found.rows
        if row["outcome"] in own
        and row["status"] == ESTIMATED
        and has_moved(own[row["outcome"]], row)
    }
    return tuple(outcome for outcome in OUTCOMES if outcome in moved)


def _signed(value: float, decimals: int) -> str:
    """Write a number with its sign, a true minus, and no sign at nought."""
    text = f"{value:+.{decimals}f}"
    is_nought = not any(digit in "123456789" for digit in text)
    return text[1:] if is_nought else text.replace("-", "−")


def _told(row: dict[str, Any]) -> str:
    if row["status"] != ESTIMATED:
        return f"{row['outcome']} {row['status']}"
    mean, low, high, own = (_signed(row[k], 1) for k in ("mean", "q2.5", "q97.5", "own_mean"))
    return (
        f"{row['outcome']} {mean} {row['unit']} ({low} to {high}; own {own}, "
        f"{row['n_units']} colony-winters)"
    )


def _single(about: About, found: Found | None, own: Own, note: str = "") -> Check:
    """Judge one refit of all outcomes."""
    if found is None:
        return about.not_run(TO_RUN)
    rows = _rows(found, own)
    if rows and all(row["status"] == NOT_POSSIBLE for row in rows):
        return about.not_run(rows[0]["reason"])
    table = pl.DataFrame(rows, SCHEMA, orient="row")
    sentence = f"With {found.words}: {'; '.join(map(_told, rows))}.{note}"
    failed = _moved([found], own)
    if not failed and not all(row["status"] == ESTIMATED for row in rows):
        return about.informational(sentence, table, f"{RULE} Passes when every outcome is judged.")
    return about.judged(failed, sentence, table, RULE)


def _dose(about: About, found: Found | None, own: Own) -> Check:
    note = ""
    if found is not None and (seen := found.told.get("conductances_w_per_k")):
        note = (
            f" The dose model compares {seen[0]:.2f} with {seen[1]:.2f} W/K, the medians of the "
            "levels compared, each hive's top opening as it is."
        )
    return _single(about, found, own, note)


def _furthest(rows: list[dict[str, Any]]) -> str:
    said = []
    for outcome in OUTCOMES:
        judged = [r for r in rows if r["outcome"] == outcome and r["shift_sd"] is not None]
        if judged:
            most = max(judged, key=lambda row: abs(row["shift_sd"]))
            least, greatest = (_signed(end(r["mean"] for r in judged), 1) for end in (min, max))
            said.append(
                f"{outcome} by {_signed(most['shift_sd'], 2)} ({most['words']}; from "
                f"{least} to {greatest} {most['unit']} over all)"
            )
    return "; ".join(said)


def _choices(about: About, founds: list[Found], own: Own) -> Check:
    """Judge the specification table as a whole."""
    if not founds:
        return about.not_run(TO_RUN)
    planned = len(choice_variations())
    rows = [row for found in founds for row in _rows(found, own)]
    table = pl.DataFrame(_own_rows(own) + rows, SCHEMA, orient="row")
    n_open = sum(row["status"] != ESTIMATED for row in rows)
    sentence = (
        f"Of {planned} other choices {len(founds)} were tried, one at a time. Furthest, in "
        f"posterior standard deviations, they move {_furthest(rows)}."
    )
    if n_open:
        sentence += f" {n_open} of {len(rows)} answers could not be estimated or did not converge."
    failed = _moved(founds, own)
    reason = f"{RULE} Passes only when all choices were tried and gave an answer."
    if not failed and (n_open or len(founds) < planned):
        return about.informational(sentence, table, reason)
    return about.judged(failed, sentence, table, reason)


def _autumn(about: About, found: Found | None, own: Own) -> Check:
    if found is None:
        return about.not_run(TO_RUN)
    [row] = found.rows
    if row["status"] == NOT_POSSIBLE:
        return about.not_run(row["reason"])
    shown = {name: row.get(name) for name in SCHEMA} | {"words": found.words}
    table = pl.DataFrame([shown], SCHEMA, orient="row")
    reason = (
        f"Fails when the 95 % limits leave out no difference and it exceeds {LEAST_FRAMES} frames: "
        "less is below what a count can tell. Informs when the limits are further than "
        f"{MOST_HALF_WIDTH} frames from the middle. It cannot see vigour that frames do not show."
    )
    if row["status"] != ESTIMATED:
        return about.informational("The chains of this refit did not agree.", table, reason)
    low, high = row["q2.5"], row["q97.5"]
    sentence = (
        f"In one yard and autumn, colonies that were then insulated had {_signed(row['mean'], 2)} "
        f"{FRAMES} of bees ({_signed(low, 2)} to {_signed(high, 2)}; {row['n_units']} counts "
        "before the set-up)."
    )
    if found.told.get("n_after"):
        sentence += f" {found.told['n_after']} counted after it were left out."
    if (low > 0 or high < 0) and abs(row["mean"]) > LEAST_FRAMES:
        return about.judged(tuple(o for o in OUTCOMES if o in own), sentence, table, reason)
    if (high - low) / 2.0 > MOST_HALF_WIDTH:
        return about.informational(sentence, table, reason)
    return about.judged((), sentence, table, reason)


def _without_one(about: About, founds: list[Found], own: Own, n_open: int | None) -> Check:
    if n_open == 0:
        return about.not_run("Reweighting could judge every member and apiary.")
    if not founds:
        return about.not_run(TO_RUN)
    ranked = sorted(founds, key=lambda found: found.told["rank"])
    rows = [row for found in ranked for row in _rows(found, own)]
    table = pl.DataFrame(rows, SCHEMA, orient="row")
    judged = [
        found for found in ranked if all(row["status"] == ESTIMATED for row in _rows(found, own))
    ]
    total = n_open if n_open is not None else ranked[0].told["of"]
    sentence = (
        f"Of {total} members and apiaries that reweighting could not judge, {len(founds)} were "
        f"left out by a refit, the worst first. Furthest, in posterior standard deviations, that "
        f"moves {_furthest(rows)}."
    )
    reason = f"{RULE} At most {MOST_LEFT_OUT} are refitted; passes only when all could be judged."
    failed = _moved(founds, own)
    if not failed and len(judged) < total:
        return about.informational(sentence, table, reason)
    return about.judged(failed, sentence, table, reason)


def refit_checks(
    founds: list[Found], estimands: pl.DataFrame, n_open: int | None = None
) -> list[Check]:
    """Judge what refits found, those not made included.

    Parameters
    ----------
    founds : list of Found
        Of one fit.
    estimands : polars.DataFrame
        ``results/estimands.csv`` of that fit.
    n_open : int, optional
        Members and apiaries that reweighting could not judge, where that is known.

    Returns
    -------
    list of Check
        One each of ``ABOUTS``, in that order; set-ups as drawn only where there was a draw.
    """
    own = own_answers(estimands)
    by_check: dict[str, list[Found]] = {name: [] for name in ABOUTS}
    for found in founds:
        by_check[found.check].append(found)

    def only(name: str) -> Found | None:
        return by_check[name][0] if by_check[name] else None

    order = [variation.name for variation in choice_variations()]
    chosen = sorted(by_check[CHOICES], key=lambda found: order.index(found.name))
    return [
        _single(ABOUTS[COMPLETE_CASES], only(COMPLETE_CASES), own),
        _single(ABOUTS[DRAWN_BY_LOT], only(DRAWN_BY_LOT), own),
        *(_single(ABOUTS[AS_ASSIGNED], found, own) for found in by_check[AS_ASSIGNED]),
        _choices(ABOUTS[CHOICES], chosen, own),
        _dose(ABOUTS[DOSE], only(DOSE), own),
        _single(ABOUTS[CUT], only(CUT), own),
        _autumn(ABOUTS[AUTUMN_STRENGTH], only(AUTUMN_STRENGTH), own),
        _without_one(ABOUTS[WITHOUT_ONE], by_check[WITHOUT_ONE], own, n_open),
    ]
