"""The truth of an invented study, and how the estimates compare with it."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.history import SCENARIOS, SPRING_REFERENCE_D, Winter
from pipeline.demo.world import LEVELS
from pipeline.errors import StudyError

Floats = NDArray[np.float64]

CONTRASTS = ("top", "partial", "full", "full closed")


@dataclass(frozen=True, slots=True)
class TrueEffect:
    """One true contrast; positive favours the first-named set-up."""

    outcome: str
    contrast: str
    measure: str
    unit: str
    value: float


@dataclass(frozen=True, slots=True)
class TrueLevel:
    """What the pool would show with every colony at one level."""

    outcome: str
    level: str
    value: float


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """A fault put into a file on purpose.

    Attributes
    ----------
    kind : str
        What is wrong, in words.
    expected : str
        ``"rejected"``, or ``"superseded"`` where a later file corrects the row.
    file, row, record, column, value : str, int, str, str, str
        Where it stands and what it says; the heading is row 1.
    key : dict of str to str
        The row's key in its contract, where it has one.
    """

    kind: str
    expected: str
    file: str
    row: int
    record: str
    column: str
    value: str
    key: dict[str, str]


@dataclass(frozen=True, slots=True)
class DemoTruth:
    """All that is known of an invented study because it was invented.

    Attributes
    ----------
    units : int
        Colony-winters in the population: neither moved away nor lost to a disaster.
    window_days : float
        Mean length of the weighing windows that the stores contrasts refer to.
    naive : tuple of TrueEffect
        The same contrasts as a raw comparison of practised set-ups shows them: what
        confounding makes of the truth.
    rows_sent : dict of str to int
        Rows of each record in all files, planted faults and corrections included.
    """

    note: str
    seed: int
    size: str
    units: int
    window_days: float
    effects: tuple[TrueEffect, ...]
    naive: tuple[TrueEffect, ...]
    levels: tuple[TrueLevel, ...]
    faults: tuple[PlantedFault, ...]
    rows_sent: dict[str, int]

    def effect(self, outcome: str, contrast: str, measure: str = "difference") -> float:
        """Value of one true contrast."""
        wanted = (outcome, contrast, measure)
        return next(e.value for e in self.effects if (e.outcome, e.contrast, e.measure) == wanted)


@dataclass(frozen=True, slots=True)
class ComparedEffect:
    """An estimate beside its truth; ``is_covered`` is None where nothing was estimated."""

    outcome: str
    contrast: str
    measure: str
    unit: str
    truth: float
    estimate: float | None
    lower: float | None
    upper: float | None
    is_covered: bool | None
    status: str


@dataclass(frozen=True, slots=True)
class PotentialOutcomes:
    """Outcomes of the counted colony-winters under every scenario; shape (scenario, unit)."""

    eaten_kg: Floats
    survival: Floats
    frames: Floats
    window_days: Floats
    practised_level: NDArray[np.int64]
    is_alive: NDArray[np.bool_]


def potential_outcomes(winters: Sequence[Winter]) -> PotentialOutcomes:
    """Collect what each colony-winter would have eaten, risked and grown to.

    Stores are those eaten between its keeper's autumn and spring weighing days had nobody died.
    Survival is the chance to live to 20 April, exact from the hazards, so that no luck of the
    draw blurs the truth.
    """
    parts = []
    for winter in winters:
        keep = winter.is_counted
        day = np.arange(winter.course.eaten_kg.shape[0])[:, None]
        calendar, course = winter.calendar, winter.course
        # A weighing sees the state at the end of its day.
        inside = (day > calendar.weighed) & (day <= calendar.spring_weighed)
        parts.append(
            (
                (course.eaten_kg * inside[:, None, :]).sum(axis=0)[:, keep],
                np.exp(-course.cumulative_hazard[SPRING_REFERENCE_D])[:, keep],
                course.frames[SPRING_REFERENCE_D][:, keep],
                (calendar.spring_weighed - calendar.weighed)[keep],
                winter.practice.level[keep],
                (winter.death_day >= calendar.checked)[keep],
            )
        )
    return PotentialOutcomes(*(np.concatenate(part, axis=-1) for part in zip(*parts, strict=True)))


def true_effects(outcomes: PotentialOutcomes) -> tuple[TrueEffect, ...]:
    """Average the potential outcomes over the population and contrast them with ``none``."""
    rows = []
    none = SCENARIOS.index("none")
    eaten, alive = outcomes.eaten_kg.mean(axis=1), outcomes.survival.mean(axis=1)
    # A dead colony counts as zero frames.
    frames = (outcomes.survival * outcomes.frames).mean(axis=1)
    for name in CONTRASTS:
        at, contrast = SCENARIOS.index(name), f"{name} vs none"
        saved, gained = eaten[none] - eaten[at], alive[at] - alive[none]
        rows += [
            TrueEffect("stores use", contrast, "difference", "kg", float(saved)),
            TrueEffect("stores use", contrast, "percent", "%", float(100 * saved / eaten[none])),
            TrueEffect("survival", contrast, "difference", "points", float(100 * gained)),
            TrueEffect("survival", contrast, "ratio", "1", float(alive[at] / alive[none])),
            TrueEffect(
                "spring strength",
                contrast,
                "difference",
                "frames",
                float(frames[at] - frames[none]),
            ),
        ]
    return tuple(rows)


def naive_effects(outcomes: PotentialOutcomes) -> tuple[TrueEffect, ...]:
    """Contrast the practised set-ups as they are, skill and all."""
    rows = []

    def at(level: int) -> NDArray[np.bool_]:
        return np.asarray(outcomes.practised_level == level)

    for level, name in enumerate(LEVELS[1:], start=1):
        contrast = f"{name} vs none"
        saved = outcomes.eaten_kg[0, at(0)].mean() - outcomes.eaten_kg[0, at(level)].mean()
        gained = outcomes.is_alive[at(level)].mean() - outcomes.is_alive[at(0)].mean()
        rows += [
            TrueEffect("stores use", contrast, "difference", "kg", float(saved)),
            TrueEffect("survival", contrast, "difference", "points", float(100 * gained)),
        ]
    return tuple(rows)


def true_levels(outcomes: PotentialOutcomes) -> tuple[TrueLevel, ...]:
    """Mean outcomes with every colony at one level, its opening as it was."""
    rows = []
    for name in LEVELS:
        at = SCENARIOS.index(name)
        rows += [
            TrueLevel("stores use", name, float(outcomes.eaten_kg[at].mean())),
            TrueLevel("survival", name, float(100 * outcomes.survival[at].mean())),
            TrueLevel(
                "spring strength", name, float((outcomes.survival * outcomes.frames)[at].mean())
            ),
        ]
    return tuple(rows)


def write_truth(path: Path, truth: DemoTruth) -> None:
    """Write the truth as JSON."""
    path.write_text(json.dumps(asdict(truth), indent=1) + "\n", encoding="utf-8")


def read_truth(path: Path) -> DemoTruth:
    """Read the truth that ``write_truth`` wrote.

    Raises
    ------
    StudyError
        The file is missing: the study is no demonstration.
    """
    try:
        given: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise StudyError(
            f"{path} does not exist, so {path.parent} is no demonstration.",
            mend="Make one with: winterpool demo DIR.",
        ) from None
    for name, kind in (
        ("effects", TrueEffect),
        ("naive", TrueEffect),
        ("levels", TrueLevel),
        ("faults", PlantedFault),
    ):
        given[name] = tuple(kind(**row) for row in given[name])
    return DemoTruth(**given)


def compare_with_truth(study_folder: Path) -> list[ComparedEffect]:
    """Set the estimates of a demonstration beside its known truth.

    Parameters
    ----------
    study_folder : Path
        A study written by ``write_demo`` and fitted.

    Returns
    -------
    list of ComparedEffect
        One row a true contrast, for these winters and all colonies, with 95 % limits.

    Raises
    ------
    StudyError
        There is no truth, or no estimates yet.
    """
    truth = read_truth(study_folder / "truth.json")
    path = study_folder / "results" / "estimands.csv"
    if not path.exists():
        raise StudyError(f"{path} does not exist.", mend=f"Run: winterpool run {study_folder}.")
    with path.open(encoding="utf-8", newline="") as file:
        rows = [
            row
            for row in csv.DictReader(file)
            if row["subgroup"] == "all" and row["horizon"] == "these winters"
        ]
    estimates = {(row["outcome"], row["contrast"], row["measure"]): row for row in rows}
    return [
        _compared(effect, estimates.get((effect.outcome, effect.contrast, effect.measure)))
        for effect in truth.effects
    ]


def _compared(effect: TrueEffect, row: dict[str, str] | None) -> ComparedEffect:
    numbers = [row[name] for name in ("mean", "q2.5", "q97.5")] if row else []
    named = (effect.outcome, effect.contrast, effect.measure, effect.unit, effect.value)
    if row is None or "" in numbers:
        status = row["status"] if row else "not asked"
        return ComparedEffect(*named, None, None, None, None, status)
    mean, lower, upper = (float(text) for text in numbers)
    is_covered = lower <= effect.value <= upper
    return ComparedEffect(*named, mean, lower, upper, is_covered, row["status"])
