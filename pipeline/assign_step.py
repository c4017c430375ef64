"""Drawing a study's next winter, and comparing what was done with what was drawn."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.assignment import Draw, balance_by_level, draw_levels
from pipeline.assignment_check import Done, compare_with_done, count_done
from pipeline.assignment_sheets import write_sheets
from pipeline.disk import disk_errors
from pipeline.errors import StudyError
from pipeline.lock import Lock
from pipeline.physics.insulation import LEVELS
from pipeline.progress import Progress
from pipeline.runner import do_step
from pipeline.settings import Settings, read_settings
from pipeline.store import Store
from pipeline.study import Study
from pipeline.trial_colonies import TrialTables, bare_hives, load_trial_tables, trial_colonies
from pipeline.trial_record import (
    LEFT_OUT_SCHEMA,
    Recorded,
    drawn_winters,
    read_drawn,
    read_records,
    trial_folder,
    write_record,
    write_table,
)

NOT_PICKED: Final = "not among those picked by lot in its apiary"
TRIAL_FILE, DRAWS_FILE = "trial.csv", "trial_draws.csv"
_FIRST_WINTER, _LAST_WINTER = 1950, 2100


@dataclass(frozen=True, slots=True)
class Drawn:
    """A draw as made.

    Attributes
    ----------
    recorded : Recorded
    table : polars.DataFrame
        As ``pipeline.assignment.DRAWN_SCHEMA``.
    left_out : polars.DataFrame
        colony_id, apiary_id, member_id, reason.
    balance : polars.DataFrame
        As ``balance_by_level``.
    sheets : list of Path
        A folder for each member.
    was_finished : bool
        Whether an earlier command had recorded the draw and stopped before making it.
    """

    recorded: Recorded
    table: pl.DataFrame
    left_out: pl.DataFrame
    balance: pl.DataFrame
    sheets: list[Path]
    was_finished: bool


def parse_levels(text: str) -> tuple[str, ...]:
    """Read a list of levels.

    Raises
    ------
    StudyError
        Fewer than two, one twice, or one that is no level.

    Examples
    --------
    >>> parse_levels("none, full")
    ('none', 'full')
    """
    levels = tuple(part.strip() for part in text.split(",") if part.strip())
    unknown = [name for name in levels if name not in LEVELS]
    mend = f"Give two or more different ones of {', '.join(LEVELS)}, with commas between."
    if unknown:
        raise StudyError(f"{unknown[0]!r} is not an insulation level.", mend=mend)
    if len(levels) < 2:
        raise StudyError("A draw needs two levels at least.", mend=mend)
    if len(set(levels)) < len(levels):
        raise StudyError(f"A level stands twice in {text!r}.", mend=mend)
    return levels


def _check_winter(winter: int) -> None:
    if not _FIRST_WINTER <= winter <= _LAST_WINTER:
        raise StudyError(
            f"{winter} is not a winter.", mend="Give the year in which it starts, like 2026."
        )


def _new_record(
    study: Study,
    tables: TrialTables,
    settings: Settings,
    winter: int,
    levels: tuple[str, ...],
    per_apiary: int | None,
    seed: int | None,
    reason: str,
) -> Recorded:
    """Choose the colonies that can take part and record the draw."""
    if per_apiary is not None and per_apiary < len(levels):
        raise StudyError(
            f"{per_apiary} colonies an apiary are fewer than the {len(levels)} levels.",
            mend=f"Give --per-apiary {len(levels)} or more.",
        )
    if seed is not None and seed < 0:
        raise StudyError(f"The seed {seed} is negative.", mend="Give zero or a positive number.")
    listed = trial_colonies(tables, winter, levels, settings)
    able = listed.filter(pl.col("reason").is_null()).drop("reason")
    if able.is_empty():
        reasons = listed["reason"].value_counts(sort=True).rows()
        said = "; ".join(f"{n} {reason}" for reason, n in reasons) or "there are no colonies"
        raise StudyError(
            f"No colony can take part in winter {winter}: {said}.",
            mend="Load the autumn's counts of bees or mites first, before any set-up is recorded.",
        )
    draw = Draw(winter, secrets.randbits(53) if seed is None else seed, levels, per_apiary, able)
    return write_record(study, draw, reason, listed.filter(pl.col("reason").is_not_null()))


def _left_out(recorded: Recorded, table: pl.DataFrame) -> pl.DataFrame:
    """All colonies that do not take part: those that cannot, and those not picked."""
    unpicked = recorded.draw.colonies.join(table, on="colony_id", how="anti")
    rest = unpicked.with_columns(reason=pl.lit(NOT_PICKED)).select(list(LEFT_OUT_SCHEMA))
    return pl.concat([recorded.left_out, rest]).sort("colony_id")


def _write_draws(study: Study) -> None:
    """Write what the report tells of every draw: no names, and no reason, which may hold one."""
    rows = []
    for winter in drawn_winters(study):
        records = read_records(study, winter)
        for recorded in records:
            drawn = draw_levels(recorded.draw)
            rows.append(
                {
                    "winter": winter,
                    "number": recorded.number,
                    "is_last": recorded is records[-1],
                    "recorded_at": recorded.recorded_at,
                    "version": recorded.version,
                    "seed": str(recorded.draw.seed),
                    "levels": ", ".join(recorded.draw.levels),
                    "n_units": len(drawn),
                    "n_apiaries": drawn["apiary_id"].n_unique(),
                    "n_members": drawn["member_id"].n_unique(),
                }
            )
    study.results_path.mkdir(parents=True, exist_ok=True)
    pl.DataFrame(rows).write_csv(study.results_path / DRAWS_FILE)


def assign_study(
    path: Path,
    winter: int,
    levels: tuple[str, ...],
    per_apiary: int | None,
    seed: int | None,
    again: str,
    progress: Progress,
) -> Drawn:
    """Draw a winter's set-ups: record first, then draw, then write table and sheets.

    Parameters
    ----------
    path : Path
        The study folder.
    winter : int
    levels : tuple of str
    per_apiary : int or None
        Most colonies of one apiary; None for all.
    seed : int or None
        None takes one from the system's source of random numbers.
    again : str
        Why a winter that has been drawn is drawn again; else empty.
    progress : Progress

    Returns
    -------
    Drawn
        A draw that was recorded but not finished is finished as recorded, whatever is asked.

    Raises
    ------
    StudyError
        The winter has been drawn, no colony can take part, or something asked for is impossible.
    StoreError
        Another command is at work on the study.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    _check_winter(winter)
    do_step("prepare", path, progress, only_if_stale=True)
    tables = load_trial_tables(study)
    with Lock.held(study.step_lock_path), disk_errors(trial_folder(study, winter), "step"):
        records = read_records(study, winter)
        was_recorded = bool(records) and not records[-1].is_drawn
        if was_recorded:
            recorded = records[-1]
        else:
            recorded = _new_record(
                study, tables, settings, winter, levels, per_apiary, seed, again.strip()
            )
        table = draw_levels(recorded.draw)
        left_out = _left_out(recorded, table)
        left_out.write_csv(recorded.left_out_path)
        bodies = bare_hives(tables, winter, settings)
        sheets = write_sheets(recorded, table, bodies, settings)
        _write_draws(study)
        write_table(recorded, table)  # last: without it the draw is finished by the next command
    balance = balance_by_level(table, recorded.draw.levels)
    return Drawn(recorded, table, left_out, balance, sheets, was_recorded)


def _read_done(study: Study) -> Done:
    names = list(Done.__dataclass_fields__)
    with Store.open(study.store_path, read_only=True) as store:
        return Done(**{name: store.table(name) for name in names})


def compare_study(path: Path, winter: int, progress: Progress) -> pl.DataFrame:
    """Compare what was done in a winter with its last draw, and write it down.

    Parameters
    ----------
    path : Path
        The study folder.
    winter : int
    progress : Progress

    Returns
    -------
    polars.DataFrame
        As ``compare_with_done``; also in ``trial/WINTER/compared.csv``. Counts of all drawn
        winters go to ``results/trial.csv``, which the report reads.

    Raises
    ------
    StudyError
        The winter has not been drawn, or a draw's files have been changed.
    """
    study = Study(path)
    settings = read_settings(study.settings_path)
    _check_winter(winter)
    if not read_records(study, winter):
        raise StudyError(
            f"Winter {winter} has not been drawn in {path}.",
            mend=f"Draw it first: winterpool assign STUDY --winter {winter}.",
        )
    do_step("prepare", path, progress, only_if_stale=True)
    done, counts = _read_done(study), []
    with Lock.held(study.step_lock_path), disk_errors(trial_folder(study, winter), "step"):
        for each in drawn_winters(study):
            drawn = read_drawn(read_records(study, each)[-1])
            compared = compare_with_done(drawn, done, each, settings.winter)
            counts.append(count_done(compared))
            if each == winter:
                compared.write_csv(trial_folder(study, winter) / "compared.csv")
                asked = compared
        _write_draws(study)
        pl.concat(counts).write_csv(study.results_path / TRIAL_FILE)
    return asked
