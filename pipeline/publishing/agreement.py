"""When two numbers agree: within Monte Carlo error, or but for rounding.

Two fits of the same records differ by Monte Carlo error only: their numbers agree when they differ
by at most ``WITHIN`` times the joint Monte Carlo standard error of both, √(a² + b²), reckoned from
the draws of each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from models.tables import Key

    Draws = dict[Key, np.ndarray]

WITHIN = 4.0
"""Joint Monte Carlo errors; of 100 independent comparisons one set in 160 has a larger one."""
EXACT = 1e-6  # relative; what another processor's rounding may change
COMPARED: dict[str, float | None] = {"mean": None, "q2.5": 0.025, "q50": 0.5, "q97.5": 0.975}
KEY = ("outcome", "contrast", "measure", "subgroup", "horizon")


@dataclass(frozen=True, slots=True)
class Line:
    """One comparison: what the bundle says, what was found here, and by how much they may differ.

    ``published``, ``found`` and ``allowed`` are empty where not one number is compared.
    """

    what: str
    published: float | None
    found: float | None
    allowed: float | None
    agrees: bool
    note: str = ""


def monte_carlo_error(draws: np.ndarray, number: str) -> float:
    """Monte Carlo standard error of a number reckoned from draws.

    Parameters
    ----------
    draws : numpy.ndarray, shape (chain, draw)
    number : {"mean", "q2.5", "q50", "q97.5", "p_benefit"}
        For ``p_benefit`` ``draws`` says which draws are a benefit. A share of 0 or 1 is taken as
        if one draw more of either kind had come up, so that its error is not nothing.

    References
    ----------
    Vehtari, Gelman, Simpson, Carpenter and Bürkner (2021), Bayesian Anal. 16:667-718.
    """
    import arviz as az

    if number == "p_benefit":
        share = (draws.sum() + 1.0) / (draws.size + 2.0)
        is_varied = 0 < draws.sum() < draws.size
        ess = float(az.ess(draws, method="mean")) if is_varied else draws.size / 4.0
        return math.sqrt(share * (1.0 - share) / ess)
    if float(np.ptp(draws)) == 0.0:
        return 0.0
    prob = COMPARED[number]
    if prob is None:
        return float(az.mcse(draws, method="mean"))
    return float(az.mcse(draws, method="quantile", prob=prob))


def _numbers(key: Key, draws: np.ndarray) -> dict[str, tuple[float, float]]:
    """Each compared number of an estimand with its Monte Carlo error."""
    made = {}
    for number, prob in COMPARED.items():
        value = draws.mean() if prob is None else np.quantile(draws, prob)
        made[number] = (float(value), monte_carlo_error(draws, number))
    is_benefit = (draws > (1.0 if key[2] == "ratio" else 0.0)).astype(float)
    made["p_benefit"] = (float(is_benefit.mean()), monte_carlo_error(is_benefit, "p_benefit"))
    return made


def compare_draws(published: Draws, found: Draws) -> list[Line]:
    """Compare two fits' estimands, number by number."""
    lines = []
    for key in sorted(published.keys() | found.keys()):
        name = " | ".join(key)
        if key not in published or key not in found:
            where = "the bundle" if key in published else "the new fit"
            lines.append(Line(name, None, None, None, False, f"estimated in {where} only"))
            continue
        ours, theirs = _numbers(key, found[key]), _numbers(key, published[key])
        for number, (value, error) in theirs.items():
            own, own_error = ours[number]
            allowed = WITHIN * math.hypot(error, own_error) + EXACT * abs(value)
            is_within = abs(own - value) <= allowed
            lines.append(Line(f"{name} | {number}", value, own, allowed, is_within))
    return lines


def _summary(key: Key, draws: np.ndarray) -> dict[str, float]:
    from models.tables import QUANTILES

    made = {name: float(np.quantile(draws, prob)) for name, prob in QUANTILES.items()}
    made |= {"mean": float(draws.mean()), "sd": float(draws.std(ddof=1))}
    made["p_benefit"] = float((draws > (1.0 if key[2] == "ratio" else 0.0)).mean())
    return made


def compare_table(rows: list[dict[str, Any]], draws: Draws) -> list[Line]:
    """Whether each row of ``estimands.csv`` is what the draws say, but for rounding.

    Parameters
    ----------
    rows : list of dict
        Of the file.
    draws : dict of Key to numpy.ndarray, shape (chain, draw)
    """
    lines, seen = [], set()
    for row in rows:
        name = tuple(str(row.get(column)) for column in KEY)
        key: Key = (name[0], name[1], name[2], name[3], name[4])
        seen.add(key)
        is_estimated = row.get("status") == "estimated"
        if is_estimated != (key in draws):
            where = "the table" if is_estimated else "the draws"
            lines.append(Line(" | ".join(key), None, None, None, False, f"in {where} only"))
            continue
        if not is_estimated:
            continue
        found = _summary(key, draws[key])
        wrong = []
        for number, value in found.items():
            said = row.get(number)
            is_same = isinstance(said, (int, float)) and math.isclose(
                said, value, rel_tol=EXACT, abs_tol=EXACT
            )
            if not is_same:
                wrong.append(number)
        mean = row.get("mean")
        published = float(mean) if isinstance(mean, (int, float)) else None
        note = f"differs in {', '.join(wrong)}" if wrong else ""
        lines.append(Line(" | ".join(key), published, found["mean"], EXACT, not wrong, note))
    lines += [
        Line(" | ".join(key), None, None, None, False, "in the draws only")
        for key in sorted(draws.keys() - seen)
    ]
    return lines
