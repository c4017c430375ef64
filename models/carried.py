"""Which pieces of the model the records can carry: decided by rule, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.vocabulary import SURVIVAL


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of the model, in or out, and why."""

    name: str
    is_included: bool
    n_units: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Observed:
    """One outcome where it is recorded.

    Attributes
    ----------
    rows : numpy.ndarray of int, shape (record,)
        Into the units.
    value : numpy.ndarray, shape (record,)
        Stores use [kg], 1 alive or 0 dead, spring frames of bees.
    error : numpy.ndarray, shape (record,)
        Standard deviation of its reading: of stores use [kg], of frames as a share of the count.
    """

    rows: np.ndarray
    value: np.ndarray
    error: np.ndarray


def outcome_parts(observed: dict[str, Observed], minimum: int) -> list[Part]:
    """Decide which outcomes are recorded often enough, and vary."""
    parts = []
    for outcome, seen in observed.items():
        n, reason = len(seen.rows), ""
        if n < minimum:
            many = f"{n} colony-winter" + "s" * (n != 1)
            reason = f"{outcome} is recorded for {many}, fewer than {minimum}"
        elif np.ptp(seen.value) == 0:
            reason = {
                SURVIVAL: "every colony survived" if seen.value.all() else "no colony survived",
            }.get(outcome, f"{outcome} is the same in every record")
        parts.append(Part(outcome, not reason, n, reason))
    return parts


def structure_parts(pool: dict, minimum: int, links: int) -> list[Part]:
    """Decide which group effects and interactions the records can carry."""
    n = len(pool["level"])
    least_repeats = max(minimum, n // 20)
    n_members, n_apiaries = len(pool["members"]), len(pool["apiaries"])
    n_winters, n_yards = len(pool["winters"]), len(pool["apiary_winters"])
    repeats = int((np.bincount(pool["colony"]) > 1).sum())
    openings = pool["opening"][pool["is_opening_known"]]
    n_open, n_closed = int((openings == 1).sum()), int((openings == 0).sum())
    full = pool["levels"].index("full") if "full" in pool["levels"] else -1
    yards_full = len(np.unique(pool["apiary"][pool["level"] == full]))
    rules = [
        ("member effects", n_members >= 2, "only one member sent records"),
        ("apiary effects", n_apiaries > n_members, "no member keeps more than one apiary"),
        ("winter effects", n_winters >= 2, "only one winter is recorded"),
        ("apiary-winter effects", n_yards > n_apiaries, "no apiary is recorded twice"),
        (
            "colony effects",
            repeats >= least_repeats,
            f"fewer than {least_repeats} colonies are recorded in more than one winter",
        ),
        ("level by winter", n_winters >= 2, "only one winter is recorded"),
        (
            "apiary-varying full",
            full > 0 and yards_full >= links,
            f"fewer than {links} apiaries have fully insulated colonies",
        ),
        (
            "top opening",
            min(n_open, n_closed) >= minimum,
            _few_tops(n_open, n_closed, minimum),
        ),
        (
            "member shares of levels",
            n_members >= 2 and bool(np.ptp(pool["member_share"], axis=0).any()),
            "members do not differ in what they use",
        ),
        (
            "apiary shares of levels",
            bool((np.abs(pool["apiary_share"]) > 1e-12).any()),
            "no member's apiaries differ in what they use",
        ),
    ]
    if n == 0:
        return [Part(name, False, 0, "no colony-winter is analysed") for name, _, _ in rules]
    return [Part(name, bool(ok), n, "" if ok else why) for name, ok, why in rules]


def _few_tops(n_open: int, n_closed: int, minimum: int) -> str:
    """Say which tops are too few, never how few."""
    counts = {"open": n_open, "closed": n_closed}
    few = [
        f"fewer than {minimum} tops are recorded {how}" for how, n in counts.items() if n < minimum
    ]
    return " and ".join(few)


def left_out_reason(reasons: list[str], n_left_out: int) -> str:
    """Say how many colony-winters are not analysed, and why, the commonest reason first.

    Parameters
    ----------
    reasons : list of str
        Reasons, the commonest first. How many each has is not told here, because few members may
        stand behind one; the report counts those that may be told.
    n_left_out : int
    """
    if not n_left_out:
        return ""
    n = f"{n_left_out:,}".replace(",", "\u202f")
    many = "1 colony-winter is" if n_left_out == 1 else f"{n} colony-winters are"
    return f"{many} left out: {' or '.join(reasons)}"
