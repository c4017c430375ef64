"""Settings of one study: ``study.toml``, every setting with a default.

The dataclasses below are the only list of settings. The commented template that
``winterpool new`` writes is generated from them, so the two cannot drift apart.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, get_type_hints
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipeline.errors import StudyError
from pipeline.toml_files import read_toml

_LARGE_POOL, _NATIONAL_POOL = 1_000, 4_000


def setting(default: Any, comment: str) -> Any:
    """Declare a setting with its default and the sentence that explains it."""
    if isinstance(default, (list, dict)):
        return field(default_factory=lambda: type(default)(default), metadata={"comment": comment})
    return field(default=default, metadata={"comment": comment})


@dataclass(frozen=True, slots=True)
class StudySettings:
    """Who asks."""

    name: str = setting("Winter study", "Title of the report.")
    association: str = setting("", "The association that pools its records.")
    is_invented: bool = setting(False, "True for demonstration data; every page then says so.")
    currency: str = setting("", "Three-letter code of the currency (ISO 4217), for costs.")
    time_zone: str = setting(
        "UTC", "Time zone whose calendar days count as days, for example America/Toronto."
    )


@dataclass(frozen=True, slots=True)
class WinterSettings:
    """When things count: month-day dates of the winter's first or second year."""

    starts_on: str = setting("10-01", "A colony alive on this day enters the winter.")
    ends_on: str = setting("05-15", "The winter's last day: spring checks up to it count.")
    autumn_weighing_from: str = setting("09-15", "Autumn weighings count from this day,")
    autumn_weighing_to: str = setting("11-30", "to this day;")
    autumn_weighing_near: str = setting("10-15", "the one nearest to this day is taken.")
    spring_weighing_from: str = setting(
        "12-01", "The ledger ends at the last weighing while alive, not before this day"
    )
    spring_weighing_to: str = setting("05-15", "and not after this day;")
    spring_weighing_near: str = setting("04-10", "of those the one nearest to this day is taken.")
    autumn_strength_from: str = setting("08-25", "Autumn strength: inspections from this day,")
    autumn_strength_to: str = setting("11-15", "to this day;")
    autumn_strength_near: str = setting("10-01", "the one nearest to this day is taken.")
    spring_strength_from: str = setting("03-15", "Spring strength: inspections from this day,")
    spring_strength_to: str = setting("05-20", "to this day;")
    spring_strength_near: str = setting("04-20", "the one nearest to this day is taken.")
    mites_from: str = setting("08-01", "Mite counts from this day,")
    mites_to: str = setting("11-30", "to this day, count for the winter;")
    mites_reference: str = setting("10-01", "the mite load is estimated for this day.")
    degree_day_base_c: float = setting(10.0, "Base temperature of degree-days [degC].")
    minimum_weather_coverage: float = setting(
        0.9, "Share of a window's days that need weather before its degree-days count."
    )


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """How the insulation level follows from the layers."""

    added_resistance_m2k_per_w: float = setting(
        0.35,
        "A surface is insulated when it beats 22 mm of softwood by this much [m2K/W].",
    )
    is_floor_counted: bool = setting(True, "False: a hive can be full without an insulated floor.")


@dataclass(frozen=True, slots=True)
class StoresSettings:
    """What feed is worth and how well a hive can be weighed."""

    stores_sugar_share: float = setting(0.80, "Sugar in winter stores, by mass.")
    processing_loss: float = setting(
        0.10, "Share of fed sugar that bees spend on storing it (weakly known: 0.10 to 0.25)."
    )
    scale_sd_kg: float = setting(0.5, "Error of one weighing on a platform scale [kg].")
    luggage_scale_sd_kg: float = setting(1.2, "Error of one weighing with a hand scale [kg].")
    frame_estimate_sd_kg: float = setting(3.0, "Error of stores judged from frames [kg].")
    bee_mass_g: float = setting(0.12, "Mass of one adult bee [g].")
    bees_per_frame: float = setting(2400.0, "Bees on a frame covered on both sides.")
    brood_frame_kg: float = setting(0.45, "Mass of brood and its food on one frame of brood [kg].")
    spring_growth_per_day: float = setting(
        0.015,
        "Growth of bees and brood a day from March on, between a count and a weighing "
        "(common practice, no source; taken as known to 0.01).",
    )


@dataclass(frozen=True, slots=True)
class ModelSettings:
    """How the model is sampled and judged."""

    seed: int = setting(20240, "Seed of every random draw in the fit.")
    chains: int = setting(4, "Chains.")
    tune: int = setting(600, "Warm-up draws per chain.")
    draws: int = setting(
        750,
        f"Kept draws per chain, up to {_NATIONAL_POOL:,} colony-winters; half as many more above.",
    )
    target_accept: float = setting(
        0.9, f"Target acceptance of the sampler, up to {_LARGE_POOL:,} colony-winters."
    )
    large_target_accept: float = setting(
        0.7, "The same in larger pools: longer steps sample them twice as fast."
    )
    cores: int = setting(2, "Processor cores to use.")
    retries: int = setting(
        2, "How often a fit that fails its gates is tried again, with more draws."
    )
    minimum_links: int = setting(
        3,
        "A contrast is estimated only when at least this many members or apiaries link it.",
    )
    minimum_colonies: int = setting(
        10, "A level or part is estimated only from at least this many colony-winters."
    )

    def kept_draws(self, n_units: int) -> int:
        """Draws of each chain for so many colony-winters: spreads mix slower in national pools."""
        return self.draws if n_units <= _NATIONAL_POOL else self.draws * 3 // 2

    def acceptance(self, n_units: int, attempt: int = 0) -> float:
        """Target acceptance for so many colony-winters; each retry halves its distance to 1."""
        first = self.target_accept if n_units <= _LARGE_POOL else self.large_target_accept
        return 1.0 - (1.0 - first) / 2**attempt


@dataclass(frozen=True, slots=True)
class PayoffSettings:
    """What the payoff needs besides prices, each with the range it may lie in."""

    lifetime_winters: float = setting(
        8.0, "Winters that insulation lasts before it is bought anew,"
    )
    lifetime_winters_low: float = setting(5.0, "at least,")
    lifetime_winters_high: float = setting(12.0, "at most.")
    discount_rate: float = setting(0.03, "Yearly discount rate, after inflation (0.03 is 3 %),")
    discount_rate_low: float = setting(0.0, "at least,")
    discount_rate_high: float = setting(0.06, "at most.")
    hours_top: float = setting(0.1, "Hours a colony takes each winter beyond one at none: top,")
    hours_top_low: float = setting(0.05, "at least,")
    hours_top_high: float = setting(0.25, "at most;")
    hours_partial: float = setting(0.3, "partial,")
    hours_partial_low: float = setting(0.15, "at least,")
    hours_partial_high: float = setting(0.6, "at most;")
    hours_full: float = setting(0.4, "full,")
    hours_full_low: float = setting(0.2, "at least,")
    hours_full_high: float = setting(0.8, "at most.")
    replacement_frames: float = setting(
        5.0, "Frames of bees that a colony bought in place of a dead one brings,"
    )
    replacement_frames_low: float = setting(4.0, "at least,")
    replacement_frames_high: float = setting(6.0, "at most.")
    feed_share: float = setting(
        0.5, "Share of the saved stores that spares feed sugar; the rest is honey to harvest,"
    )
    feed_share_low: float = setting(0.0, "at least,")
    feed_share_high: float = setting(1.0, "at most.")

    def __post_init__(self) -> None:
        """Refuse a value outside its own range, and values that mean nothing."""
        for name in PAYOFF_INPUTS:
            value = getattr(self, name)
            low, high = getattr(self, f"{name}_low"), getattr(self, f"{name}_high")
            if not low <= value <= high:
                raise StudyError(
                    f"study.toml: [payoff] {name} = {value!r} lies outside its range, {low!r} to "
                    f"{high!r}.",
                    mend=f"Set {name}_low and {name}_high around it, or to the same number.",
                )
        if self.lifetime_winters_low < 1.0:
            raise StudyError(
                "study.toml: [payoff] lifetime_winters_low is below one winter.",
                mend="Write 1 or more.",
            )
        for name in ("discount_rate_high", "feed_share_high"):
            if getattr(self, name) > 1.0:
                raise StudyError(
                    f"study.toml: [payoff] {name} = {getattr(self, name)!r} is above 1.",
                    mend="Write a share: 0.03 for 3 %.",
                )


PAYOFF_INPUTS = (
    "lifetime_winters",
    "discount_rate",
    "hours_top",
    "hours_partial",
    "hours_full",
    "replacement_frames",
    "feed_share",
)
"""Settings of the payoff that have a range."""


@dataclass(frozen=True, slots=True)
class ReportSettings:
    """What the report shows."""

    minimum_cell: int = setting(5, "Counts of fewer members than this are not shown apart.")


@dataclass(frozen=True, slots=True)
class PublishSettings:
    """What a published bundle says and how close it lets a reader come."""

    licence: str = setting(
        "CC-BY-4.0", "Licence of the published records: CC-BY-4.0, CC-BY-SA-4.0 or CC0-1.0."
    )
    smallest_class: int = setting(
        5, "No colony-winter is published that fewer than this many look like."
    )

    def __post_init__(self) -> None:
        """Refuse a class that hides nobody."""
        if self.smallest_class < 3:
            raise StudyError(
                "study.toml: [publish] smallest_class is below 3: that hides nobody.",
                mend="Write 3 or more.",
            )


@dataclass(frozen=True, slots=True)
class IngestSettings:
    """What a file may be."""

    maximum_file_mb: int = setting(20_000, "Largest file that is read [MB].")
    maximum_expanded_mb: int = setting(
        2_000, "Largest workbook, Parquet or compressed file once expanded [MB]."
    )
    maximum_columns: int = setting(500, "Most columns a table may have.")


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of one study, one attribute a section of ``study.toml``."""

    study: StudySettings = field(default_factory=StudySettings)
    winter: WinterSettings = field(default_factory=WinterSettings)
    levels: LevelSettings = field(default_factory=LevelSettings)
    stores: StoresSettings = field(default_factory=StoresSettings)
    model: ModelSettings = field(default_factory=ModelSettings)
    payoff: PayoffSettings = field(default_factory=PayoffSettings)
    report: ReportSettings = field(default_factory=ReportSettings)
    publish: PublishSettings = field(default_factory=PublishSettings)
    ingest: IngestSettings = field(default_factory=IngestSettings)


_LARGEST_WHOLE = 2**32 - 1
"""What every library takes as a seed or a count."""
_MONTH_DAY = re.compile(r"(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


def _checked(section: str, name: str, value: Any, kind: type, where: Path) -> Any:
    """Return the value in its declared type, or say what is wrong with it."""
    place = f"{where.name}: [{section}] {name} = {value!r}"
    if type(value) is int and abs(value) > _LARGEST_WHOLE:
        raise StudyError(
            f"{where.name}: [{section}] {name} is larger than {_LARGEST_WHOLE:,}.",
            mend="Write a smaller number.",
        )
    if kind is float and type(value) is int:
        value = float(value)
    if type(value) is not kind:
        raise StudyError(
            f"{place} is not of the expected kind ({kind.__name__}).",
            mend="Correct the value in study.toml.",
        )
    if isinstance(value, float) and not math.isfinite(value):
        raise StudyError(f"{place} is not a number.", mend="Write a number.")
    if section == "winter" and isinstance(value, str) and not _MONTH_DAY.fullmatch(value):
        raise StudyError(
            f"{place} is not a month and day.", mend='Write it like "10-01" for 1 October.'
        )
    if name == "time_zone" and not _is_time_zone(str(value)):
        raise StudyError(
            f"{place} is no time zone.", mend="Write an IANA name, like America/Toronto."
        )
    if name.endswith("target_accept") and not 0.0 < float(value) < 1.0:  # type: ignore[arg-type]
        raise StudyError(
            f"{place} is no share between 0 and 1.", mend="Write a number such as 0.9."
        )
    if isinstance(value, (int, float)) and value < 0:
        raise StudyError(f"{place} is negative.", mend="Write zero or a positive number.")
    return value


def _is_time_zone(name: Any) -> bool:
    try:
        return bool(ZoneInfo(name))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False


def settings_from_mapping(given: dict[str, Any], where: Path) -> Settings:
    """Check a parsed settings mapping and fill in defaults.

    Raises
    ------
    StudyError
        A section or setting is unknown, or a value has the wrong kind.
    """
    sections: dict[str, Any] = {}
    known = [section.name for section in fields(Settings)]
    for section in given:
        if section not in known:
            raise StudyError(
                f"{where.name}: there is no section [{section}].",
                mend=f"Use one of: {', '.join(known)}.",
            )
    for section, cls in get_type_hints(Settings).items():
        values = given.get(section, {})
        if not isinstance(values, dict):
            raise StudyError(
                f"{where.name}: {section} must be a section.", mend=f"Write it as [{section}]."
            )
        hints = get_type_hints(cls)
        unknown = [name for name in values if name not in hints]
        if unknown:
            raise StudyError(
                f"{where.name}: [{section}] has no setting {unknown[0]!r}.",
                mend=f"Use one of: {', '.join(hints)}.",
            )
        sections[section] = cls(
            **{k: _checked(section, k, v, hints[k], where) for k, v in values.items()}
        )
    return Settings(**sections)


def read_settings(path: Path) -> Settings:
    """Read ``study.toml``.

    Raises
    ------
    StudyError
        The file is missing, is not TOML, or holds an unknown or ill-typed setting.
    """
    try:
        given = read_toml(path, str(path), StudyError)
    except FileNotFoundError:
        raise StudyError(
            f"{path} does not exist, so {path.parent} is not a study folder.",
            mend="Make one with: winterpool new STUDY.",
        ) from None
    return settings_from_mapping(given, path)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # TOML's basic strings escape as JSON's do
    return repr(value)


def render_settings(settings: Settings, *, commented: bool = True) -> str:
    """Write settings as TOML; with ``commented`` every default stands as a comment."""
    lines = ["# Settings of this study. Every setting has a default; uncomment to change it.", ""]
    for section in fields(settings):
        values = getattr(settings, section.name)
        lines += [f"[{section.name}]  # {type(values).__doc__}"]
        for item in fields(values):
            value = getattr(values, item.name)
            is_default = value == getattr(type(values)(), item.name)
            mark = "# " if commented and is_default else ""
            lines += [f"# {item.metadata['comment']}", f"{mark}{item.name} = {_toml(value)}"]
        lines.append("")
    return "\n".join(lines)
