"""Logger exports: a file a member, with other headings, units and clocks in each style."""

from __future__ import annotations

import gzip
from pathlib import Path

import polars as pl

from pipeline.demo.loggers import UTC_OFFSET_H
from pipeline.demo.styles import coded, renamed

_NAMES = {
    "templates": "loggers.csv",
    "pounds": "logger export.csv",
    "semicolons": "loggbok.csv.gz",
}
_SPOTS = {
    "pounds": {"under cover": "lid", "brood nest": "brood", "above cluster": "top bars"},
    "semicolons": {"under cover": "låk", "brood nest": "yngel", "above cluster": "øver klot"},
}


def logger_file_name(member: str, style: str) -> str:
    """Name of a member's logger file; one style compresses it."""
    return f"{member} {_NAMES.get(style, 'sensor dump.csv')}"


def write_loggers(inbox: Path, member: str, style: str, readings: pl.DataFrame) -> None:
    """Write one member's readings as their logger exports them.

    Parameters
    ----------
    inbox : Path
        Folder to write into.
    member, style : str
        Code and record-keeping style of the member.
    readings : polars.DataFrame
        Columns of ``sensor_readings``; ``logged_at`` in UTC, without a zone.
    """
    path = inbox / logger_file_name(member, style)
    local = pl.col("logged_at") + pl.duration(hours=UTC_OFFSET_H)
    frame = coded(readings, "position", _SPOTS.get(style, {}))
    if style == "templates":
        offset = f"{UTC_OFFSET_H:+03d}:00"
        frame.with_columns(
            logged_at=local.dt.strftime(f"%Y-%m-%dT%H:%M:%S{offset}"),
            weight_kg=pl.lit(None, dtype=pl.Float64),
        ).write_csv(path)
    elif style == "pounds":
        renamed(
            frame.with_columns(
                logged_at=local.dt.strftime("%m/%d/%Y %H:%M"),
                temperature_c=(pl.col("temperature_c") * 9 / 5 + 32).round(1),
            ),
            {
                "logged_at": "Reading time",
                "colony_id": "Hive",
                "position": "Where",
                "temperature_c": "Temp F",
                "humidity_pct": "RH",
            },
        ).write_csv(path)
    elif style == "semicolons":
        text = renamed(
            frame.with_columns(logged_at=pl.col("logged_at").dt.strftime("%d.%m.%Y %H:%M")),
            {
                "colony_id": "Skærn",
                "logged_at": "Tid UTC",
                "position": "Ståd",
                "temperature_c": "Vårme",
                "humidity_pct": "Fukt",
            },
        ).write_csv(separator=";", decimal_comma=True)
        # A fixed time stamp keeps the same seed's file the same, byte for byte.
        path.write_bytes(gzip.compress(text.encode("latin-1"), compresslevel=3, mtime=0))
    else:
        renamed(
            frame.with_columns(logged_at=local.dt.strftime("%Y-%m-%d %H:%M:%S")),
            {
                "logged_at": "Local time",
                "colony_id": "Colony",
                "position": "Spot",
                "temperature_c": "Degrees C",
                "humidity_pct": "RH %",
            },
        ).write_csv(path)
