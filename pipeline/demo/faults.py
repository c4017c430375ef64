"""Faults planted on purpose, so that a run can show that each is caught and accounted for."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from pipeline.contracts import load_contracts
from pipeline.demo.history import Winter
from pipeline.demo.logger_files import logger_file_name
from pipeline.demo.styles import BRANCHES, write_template
from pipeline.demo.truth import PlantedFault
from pipeline.demo.world import World

MISREAD = 3
"""Weighings that were sent wrong at first and corrected by a second file."""


def misread_weighings(weighings: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the weighings as first sent, a few 20 kg too light, and the rows that correct them."""
    corrected = weighings.filter(pl.col("gross_kg") > 40).head(MISREAD)
    keys = ["colony_id", "weighed_on"]
    wrong = corrected.select(*keys, wrong_kg=(pl.col("gross_kg") - 20.0).round(1))
    sent = weighings.join(wrong, on=keys, how="left", maintain_order="left")
    sent = sent.with_columns(gross_kg=pl.coalesce("wrong_kg", "gross_kg")).drop("wrong_kg")
    return sent, corrected


def plant_correction(
    inbox: Path, first_file: str, sent: pl.DataFrame, corrected: pl.DataFrame, *, first_row: int
) -> list[PlantedFault]:
    """Write the file that corrects misread weighings; it comes after the first by name.

    Parameters
    ----------
    first_file : str
        The file that holds ``sent``, its first record in row ``first_row``.
    """
    path = inbox / first_file.replace(".csv", "_corrected.csv")
    write_template(path, load_contracts()["weighings"], corrected)
    numbered = sent.with_row_index("row", offset=first_row)
    keys = ["colony_id", "weighed_on"]
    return [
        PlantedFault(
            kind="misread weighing, corrected by a file sent again",
            expected="superseded",
            file=first_file,
            row=row["row"],
            record="weighings",
            column="gross_kg",
            value=str(row["gross_kg"]),
            key={"colony_id": row["colony_id"], "weighed_on": str(row["weighed_on"])},
        )
        for row in numbered.join(corrected.select(keys), on=keys, how="semi").iter_rows(named=True)
    ]


class Planter:
    """Adds faulty rows at the end of text files and keeps the list of them.

    Parameters
    ----------
    inbox : Path
        Folder of the files.
    """

    def __init__(self, inbox: Path) -> None:
        self._inbox = inbox
        self.faults: list[PlantedFault] = []

    def plant(
        self,
        kind: str,
        file: str,
        *,
        record: str,
        column: str,
        value: str,
        cells: dict[str, str],
        encoding: str = "utf-8",
        delimiter: str = ",",
    ) -> None:
        """Add one row to a file that has no line breaks inside cells.

        Parameters
        ----------
        kind : str
            What is wrong, in words.
        file, record, column, value : str
            Where, and the value that is wrong; ``column`` is the contract's name for it.
        cells : dict of str to str
            The row by the file's own headings; those not named stay empty.
        """
        path = self._inbox / file
        text = path.read_bytes().decode(encoding)
        header = next(csv.reader(io.StringIO(text), delimiter=delimiter))
        unknown = set(cells) - set(header)
        if unknown:
            raise ValueError(f"{file} has no heading {sorted(unknown)}")
        line = io.StringIO()
        csv.writer(line, delimiter=delimiter, lineterminator="\n").writerow(
            [cells.get(heading, "") for heading in header]
        )
        with path.open("ab") as target:
            target.write(line.getvalue().encode(encoding))
        self.faults.append(
            PlantedFault(
                kind=kind,
                expected="rejected",
                file=file,
                row=text.count("\n") + 1,
                record=record,
                column=column,
                value=value,
                key={},
            )
        )


def _first(world: World, winters: Sequence[Winter], style: str) -> tuple[str, str]:
    """Code and first colony of the first member who keeps records in a style."""
    member = world.members.style.index(style)
    hive = [int(m) for m in world.hives.member].index(member)
    return world.members.member_id[member], winters[0].colony_id[hive]


def plant_faults(inbox: Path, world: World, winters: Sequence[Winter]) -> list[PlantedFault]:
    """Add the faulty rows to the files of a written demonstration and list them."""
    planter = Planter(inbox)
    branch = BRANCHES[0]
    _, colony = _first(world, winters, "templates")
    summer = f"{winters[0].year + 1}-07-09"
    weighings = f"{branch}_weighings.csv"
    row = {"colony_id": colony, "weighed_on": summer, "gross_kg": "41.0", "method": "scale"}
    for kind, column, value in (
        ("a hive of 480 kg", "gross_kg", "480"),
        ("a date in the future", "weighed_on", "2204-10-12"),
        ("an unknown colony", "colony_id", "M99/01"),
    ):
        planter.plant(
            kind,
            weighings,
            record="weighings",
            column=column,
            value=value,
            cells=row | {column: value},
        )
    planter.plant(
        "a misspelt code",
        f"{branch}_treatments.csv",
        record="treatments",
        column="active_ingredient",
        value="oxalic acis",
        cells={"colony_id": colony, "applied_on": summer, "active_ingredient": "oxalic acis"},
    )
    inspections = f"{branch}_strength_inspections.csv"
    first = pl.read_csv(inbox / inspections, infer_schema=False).row(1, named=True)
    planter.plant(
        "a key given twice in one file",
        inspections,
        record="strength_inspections",
        column="colony_id",
        value=first["colony_id"],
        cells={k: v for k, v in first.items() if v is not None} | {"frames_of_bees": "2"},
    )
    _plant_in_loggers(planter, world, winters)
    _plant_in_own_styles(planter, world, winters)
    return planter.faults


def _plant_in_loggers(planter: Planter, world: World, winters: Sequence[Winter]) -> None:
    member = next(
        m
        for m, style in enumerate(world.members.style)
        if style == "templates" and world.members.has_loggers[m]
    )
    hive = [int(m) for m in world.hives.member].index(member)
    file = logger_file_name(world.members.member_id[member], "templates")
    row = {
        "colony_id": winters[0].colony_id[hive],
        "position": "under cover",
        "temperature_c": "21.5",
        "humidity_pct": "60.0",
    }
    day = f"{winters[0].year + 1}-07-09"
    for kind, hour, column, value in (
        ("a humidity of 105 %", 9, "humidity_pct", "105.0"),
        ("degrees Fahrenheit in a column of degrees Celsius", 10, "temperature_c", "93.4"),
        ("degrees Fahrenheit in a column of degrees Celsius", 11, "temperature_c", "94.1"),
    ):
        at = {"logged_at": f"{day}T{hour:02d}:00:00-05:00", column: value}
        planter.plant(
            kind, file, record="sensor_readings", column=column, value=value, cells=row | at
        )


def _plant_in_own_styles(planter: Planter, world: World, winters: Sequence[Winter]) -> None:
    member, colony = _first(world, winters, "pounds")
    year = winters[0].year + 1
    planter.plant(
        "more frames of bees than the hive holds",
        f"{member} checks.csv",
        record="strength_inspections",
        column="frames_of_bees",
        value="26",
        cells={"Hive": colony, "Date": f"07/09/{year}", "Bees": "26", "Frames": "20"},
    )
    member, colony = _first(world, winters, "semicolons")
    planter.plant(
        "a day that the calendar does not have",
        f"{member} vagter.csv",
        record="weighings",
        column="weighed_on",
        value=f"31.02.{year}",
        cells={
            "Skærn": colony,
            "Dåg": f"31.02.{year}",
            "Vægt kg": "38,5",
            "Måte": "golvvægt",
        },
        encoding="latin-1",
        delimiter=";",
    )
    member, colony = _first(world, winters, "log")
    planter.plant(
        "a word that the mapping does not know",
        f"{member} log.csv",
        record="weighings",
        column="method",
        value="kitchen scale",
        cells={
            "When": f"{year}-07-09",
            "Colony": colony,
            "What": "weight",
            "Value": "38.0",
            "Detail": "kitchen scale",
        },
    )
