"""What is kept of a draw: its record, written before it, and the table that follows from it.

    STUDY/trial/WINTER/draw-1.json          seed, date, version, colonies and their digest
                       assignments-1.csv    what was drawn
                       left_out-1.csv       who does not take part, and why
                       for-members-1/       a sheet and a return form for each member

A draw made again deliberately has the next number and says why; all of them stay, the last counts.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipeline.assignment import COLONIES_SCHEMA, DRAWN_SCHEMA, Draw, draw_levels
from pipeline.errors import StudyError
from pipeline.study import Study

LEFT_OUT_SCHEMA: Final = dict.fromkeys(("colony_id", "apiary_id", "member_id", "reason"), pl.String)
_RECORD: Final = re.compile(r"draw-([1-9]\d*)\.json")
_RESTORE: Final = "Put the file back as it was; a draw cannot be changed afterwards."


@dataclass(frozen=True, slots=True)
class Recorded:
    """A draw's record.

    Attributes
    ----------
    draw : Draw
    number : int
        1 for a winter's first draw.
    recorded_at : str
        UTC, ISO 8601; before the draw.
    version : str
        Of this program.
    colonies_sha256 : str
    reason : str
        Why the draw was made again; empty for the first.
    left_out : polars.DataFrame
        Colonies that cannot take part, as ``LEFT_OUT_SCHEMA``.
    folder : Path
    """

    draw: Draw
    number: int
    recorded_at: str
    version: str
    colonies_sha256: str
    reason: str
    left_out: pl.DataFrame
    folder: Path

    @property
    def path(self) -> Path:
        """The record's file."""
        return self.folder / f"draw-{self.number}.json"

    @property
    def table_path(self) -> Path:
        """The drawn table."""
        return self.folder / f"assignments-{self.number}.csv"

    @property
    def left_out_path(self) -> Path:
        """Colonies that do not take part."""
        return self.folder / f"left_out-{self.number}.csv"

    @property
    def members_path(self) -> Path:
        """The folder of sheets."""
        return self.folder / f"for-members-{self.number}"

    @property
    def is_drawn(self) -> bool:
        """Whether the table is there; without it the draw stopped after its record."""
        return self.table_path.exists()


def colonies_digest(colonies: pl.DataFrame) -> str:
    """SHA-256 of the list of colonies, as compact JSON of its rows by apiary and name."""
    rows = colonies.select(list(COLONIES_SCHEMA)).sort("apiary_id", "colony_id").rows()
    text = json.dumps(rows, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def trial_folder(study: Study, winter: int) -> Path:
    """Where a winter's draws are kept."""
    return study.path / "trial" / str(winter)


def _write_new(path: Path, text: str) -> None:
    """Write a file that must not exist, and see it to the disk."""
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _create(path: Path, text: str) -> None:
    """Write a file that must not exist; it stands whole or not at all.

    Raises
    ------
    FileExistsError
        It is there already, and stays as it is.
    """
    draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}.partial")
    try:
        _write_new(draft, text)
        try:
            os.link(draft, path)  # takes no file's place, as moving it there would
        except FileExistsError:
            raise
        except OSError:  # a disk without links: whole only if nothing stops the writing
            _write_new(path, text)
    finally:
        draft.unlink(missing_ok=True)


def write_record(study: Study, draw: Draw, reason: str, left_out: pl.DataFrame) -> Recorded:
    """Record a draw before it is made.

    Parameters
    ----------
    study : Study
    draw : Draw
    reason : str
        Why a draw is made again; empty for the winter's first.
    left_out : polars.DataFrame
        Colonies that cannot take part, and why; as ``LEFT_OUT_SCHEMA``.

    Raises
    ------
    StudyError
        There is a record of this winter and no reason, or a reason and nothing to draw again; or
        another command recorded a draw at the same moment.
    """
    made = read_records(study, draw.winter)
    if made and not reason:
        raise StudyError(
            f"Winter {draw.winter} has been drawn already ({made[-1].path}).",
            mend='Keep that draw; if it must be made again, say why: --again "REASON".',
        )
    if reason and not made:
        raise StudyError(
            f"Winter {draw.winter} has not been drawn yet, so there is nothing to draw again.",
            mend="Leave --again out.",
        )
    recorded = Recorded(
        draw=draw,
        number=max((earlier.number for earlier in made), default=0) + 1,
        recorded_at=datetime.now(UTC).isoformat(timespec="seconds"),
        version=version("winterpool"),
        colonies_sha256=colonies_digest(draw.colonies),
        reason=reason,
        left_out=left_out.select(list(LEFT_OUT_SCHEMA)),
        folder=trial_folder(study, draw.winter),
    )
    told = {
        "winter": draw.winter,
        "number": recorded.number,
        "recorded_at": recorded.recorded_at,
        "version": recorded.version,
        "seed": draw.seed,
        "levels": list(draw.levels),
        "per_apiary": draw.per_apiary,
        "reason": reason,
        "colonies_sha256": recorded.colonies_sha256,
        "colonies": draw.colonies.select(list(COLONIES_SCHEMA))
        .sort("apiary_id", "colony_id")
        .to_dicts(),
        "left_out": recorded.left_out.to_dicts(),
    }
    recorded.folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps(told, indent=1, ensure_ascii=False) + "\n"
    try:
        _create(recorded.path, text)
    except FileExistsError:
        raise StudyError(
            f"Another command recorded a draw of winter {draw.winter} at the same moment "
            f"({recorded.path}); that one stands.",
            mend='Look at it first; if it must be made again, say why: --again "REASON".',
        ) from None
    return recorded


def _bad_record(path: Path, why: str) -> StudyError:
    return StudyError(f"{path} is not a draw's record: {why}.", mend=_RESTORE)


def read_record(path: Path) -> Recorded:
    """Read one record and check its list of colonies against its digest.

    Raises
    ------
    StudyError
        The file cannot be read as a record, or its colonies are not those it was made with.
    """
    try:
        told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        colonies = pl.DataFrame(told["colonies"], schema=COLONIES_SCHEMA)
        draw = Draw(
            winter=int(told["winter"]),
            seed=int(told["seed"]),
            levels=tuple(told["levels"]),
            per_apiary=None if told["per_apiary"] is None else int(told["per_apiary"]),
            colonies=colonies,
        )
        recorded = Recorded(
            draw,
            int(told["number"]),
            str(told["recorded_at"]),
            str(told["version"]),
            str(told["colonies_sha256"]),
            str(told["reason"]),
            pl.DataFrame(told["left_out"], schema=LEFT_OUT_SCHEMA),
            path.parent,
        )
    except (ValueError, TypeError, AttributeError) as error:
        raise _bad_record(path, type(error).__name__) from None
    except KeyError as error:
        raise _bad_record(path, f"{error.args[0]} is missing") from None
    except pl.exceptions.PolarsError:
        raise _bad_record(path, "its colonies cannot be read") from None
    if colonies_digest(colonies) != recorded.colonies_sha256:
        raise _bad_record(path, "its list of colonies does not have the digest recorded with it")
    return recorded


def read_records(study: Study, winter: int) -> list[Recorded]:
    """Read all draws of a winter, the last one last."""
    folder = trial_folder(study, winter)
    found = [path for path in folder.glob("draw-*.json") if _RECORD.fullmatch(path.name)]
    return sorted((read_record(path) for path in found), key=lambda recorded: recorded.number)


def drawn_winters(study: Study) -> list[int]:
    """Winters with a draw."""
    folders = (study.path / "trial").glob("[0-9]*")
    return sorted(int(f.name) for f in folders if f.name.isdigit() and any(f.glob("draw-*.json")))


def write_table(recorded: Recorded, drawn: pl.DataFrame) -> None:
    """Write what was drawn; the file stands whole or not at all."""
    table = drawn.with_columns(
        seed=pl.lit(str(recorded.draw.seed)),  # text: spreadsheets round long numbers
        draw=pl.lit(recorded.number),
        drawn_on=pl.lit(recorded.recorded_at[:10]),
    )
    draft = recorded.table_path.with_suffix(".partial")
    table.write_csv(draft)
    os.replace(draft, recorded.table_path)


def read_drawn(recorded: Recorded) -> pl.DataFrame:
    """Read what was drawn, and prove it by drawing again from the record.

    Returns
    -------
    polars.DataFrame
        As ``DRAWN_SCHEMA``.

    Raises
    ------
    StudyError
        The table is missing, or is not what its record draws.
    """
    drawn = draw_levels(recorded.draw)
    if not recorded.is_drawn:
        raise StudyError(
            f"{recorded.path} was recorded, but its table was not written.",
            mend=f"Run: winterpool assign STUDY --winter {recorded.draw.winter}.",
        )
    try:
        kept = pl.read_csv(recorded.table_path, schema_overrides=DRAWN_SCHEMA)
        is_same = kept.select(list(DRAWN_SCHEMA)).equals(drawn)
    except pl.exceptions.PolarsError:
        is_same = False
    if not is_same:
        raise StudyError(
            f"{recorded.table_path} is not what {recorded.path.name} draws: it was changed.",
            mend=_RESTORE,
        )
    return drawn


def drawn_units(study: Study) -> pl.DataFrame:
    """Read what the last draw of every winter drew; as ``DRAWN_SCHEMA``, empty without draws."""
    tables = [read_drawn(read_records(study, winter)[-1]) for winter in drawn_winters(study)]
    return pl.concat([pl.DataFrame(schema=DRAWN_SCHEMA), *tables])
