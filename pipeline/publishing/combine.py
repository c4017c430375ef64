"""``winterpool combine``: findings of several associations, from their bundles alone.

The answer shown is Bayesian, with a stated prior for how much associations differ; the moments of
DerSimonian and Laird with limits by Hartung and Knapp stand beside it in the table.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.disk import disk_errors
from pipeline.errors import ModelError, StudyError
from pipeline.progress import Progress
from pipeline.publishing.checksums import SUMS, BundleError, verify_checksums
from pipeline.publishing.coarsen import as_derived_mites, as_derived_units
from pipeline.publishing.pseudonyms import LETTERS
from pipeline.publishing.published_fit import require_modest
from pipeline.publishing.tables import FOLDER, Tables, read_tables
from pipeline.receipt_page import safe_cell
from pipeline.settings import Settings, read_settings

if TYPE_CHECKING:
    from models.synthesis.normal_normal import NormalNormal

BETWEEN = {
    ("stores use", "difference"): 1.0,  # kg: associations rarely differ by more than 2 kg
    ("stores use", "percent"): 6.0,  # of some 15 kg eaten, the same
    ("survival", "difference"): 5.0,  # points: by more than 10 would be two different worlds
    ("survival", "ratio"): 0.06,  # of the logarithm: of some 80 % that survive, the same
    ("spring strength", "difference"): 0.5,  # frames
}
"""Scale of the half-normal prior of the sd between associations, by outcome and measure."""
REACH = 40.0  # scales: nothing of the posterior lies beyond
KEY = ("outcome", "contrast", "measure", "subgroup", "horizon")
NUMBERS = ("mean", "sd", "q2.5", "q50", "q97.5")
NORMAL_WIDTH = 2 * 1.959964


@dataclass(frozen=True, slots=True)
class Bundle:
    """One association's bundle, verified."""

    path: Path
    settings: Settings
    estimands: pl.DataFrame
    tables: Tables


@dataclass(frozen=True, slots=True)
class Combination:
    """What several bundles say together.

    Attributes
    ----------
    table : polars.DataFrame
        A row an estimand that two or more bundles estimate: ``outcome, contrast, measure, unit,
        n_bundles``; posterior ``mean, q2.5, q97.5, p_benefit``; ``predicted_q2.5, predicted_q97.5``
        (another association); ``between_sd, between_prior_scale``; then by moments ``dl_mean,
        dl_lower, dl_upper, dl_predicted_lower, dl_predicted_upper, dl_between_sd, q, i2_percent``.
    joint : polars.DataFrame or None
        Estimands of one fit of all tables.
    words : list of str
        What to know when reading.
    """

    table: pl.DataFrame
    joint: pl.DataFrame | None
    words: list[str]


def read_bundle(path: Path) -> Bundle:
    """Verify a bundle and read its estimates.

    Raises
    ------
    BundleError
        It is not as published, its estimates or tables cannot be read or used, or it holds an
        estimate twice.
    """
    verify_checksums(path)
    try:
        settings = read_settings(path / "settings.toml")
        said = pl.read_csv(path / "results" / "estimands.csv", infer_schema_length=None)
        texts = [pl.col(c).cast(pl.String) for c in (*KEY, "unit", "status")]
        estimands = said.select(*texts, pl.col(NUMBERS).cast(pl.Float64))
    except (StudyError, pl.exceptions.PolarsError, OSError):
        raise BundleError(
            f"{path}: its settings or results/estimands.csv cannot be read.",
            mend="Combine it with the version of Winterpool that its README names.",
        ) from None
    twice = estimands.filter(pl.struct(KEY).is_duplicated())
    if twice.height:
        told = ", ".join(twice.select(KEY).row(0))
        raise BundleError(
            f"{path}: results/estimands.csv holds {told} more than once, and would count so.",
            mend="Leave this bundle out and tell who published it.",
        )
    for row in estimands.to_dicts():
        if _is_combined(row) and not _has_sound_numbers(row):
            raise BundleError(
                f"{path}: results/estimands.csv says that {row['outcome']}, {row['contrast']}, "
                f"{row['measure']} is estimated, but its numbers are missing or impossible.",
                mend="Leave this bundle out and tell who published it.",
            )
    return Bundle(path, settings, estimands, read_tables(path / FOLDER))


def _is_combined(row: dict[str, Any]) -> bool:
    """Whether a row is an estimate over the whole pool in its own winters."""
    is_whole = (row["subgroup"], row["horizon"]) == ("all", "these winters")
    is_known = (row["outcome"], row["measure"]) in BETWEEN
    return is_whole and is_known and row["status"] == "estimated"


def _has_sound_numbers(row: dict[str, Any]) -> bool:
    numbers = [row[c] for c in NUMBERS]
    if any(n is None or not math.isfinite(n) for n in numbers) or row["sd"] <= 0:
        return False
    return row["measure"] != "ratio" or (0 < row["q2.5"] < row["q97.5"] and row["q50"] > 0)


def _effect(row: dict[str, Any]) -> tuple[float, float]:
    """Effect and standard error; of a ratio those of its logarithm, from its quantiles."""
    if row["measure"] != "ratio":
        return float(row["mean"]), float(row["sd"])
    width = math.log(row["q97.5"]) - math.log(row["q2.5"])
    return math.log(row["q50"]), width / NORMAL_WIDTH


def _combined(name: tuple[str, ...], unit: str, rows: list[dict[str, Any]]) -> dict[str, Any]:
    from models.synthesis.normal_normal import half_normal, normal_normal
    from models.synthesis.random_effects import moment_synthesis

    effect, se = zip(*(_effect(row) for row in rows), strict=True)
    scale = BETWEEN[name[0], name[2]]
    found: NormalNormal = normal_normal(
        effect, se, half_normal(scale), tau_reach=REACH * max(scale, *se)
    )
    moments = moment_synthesis(effect, se)
    is_ratio = name[2] == "ratio"

    def back(value: float) -> float | None:
        if math.isnan(value):
            return None
        return math.exp(value) if is_ratio else value

    return {
        "outcome": name[0],
        "contrast": name[1],
        "measure": name[2],
        "unit": unit,
        "n_bundles": len(rows),
        "mean": back(found.mean),
        "q2.5": back(found.quantile(0.025)),
        "q97.5": back(found.quantile(0.975)),
        "p_benefit": found.chance_above(0.0),
        "predicted_q2.5": back(found.predicted_quantile(0.025)),
        "predicted_q97.5": back(found.predicted_quantile(0.975)),
        "between_sd": found.between_sd,
        "between_prior_scale": scale,
        "dl_mean": back(moments.mean),
        "dl_lower": back(moments.lower),
        "dl_upper": back(moments.upper),
        "dl_predicted_lower": back(moments.predicted_lower),
        "dl_predicted_upper": back(moments.predicted_upper),
        "dl_between_sd": math.sqrt(moments.tau2),
        "q": moments.q,
        "i2_percent": moments.i2,
    }


def combine_estimands(estimands: list[pl.DataFrame]) -> pl.DataFrame:
    """Combine the estimates over whole pools in their own winters, contrast by contrast.

    Parameters
    ----------
    estimands : list of polars.DataFrame
        ``estimands.csv`` of each bundle.

    Raises
    ------
    ModelError
        No contrast is estimated by two or more.
    """
    gathered: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for table in estimands:
        for row in table.to_dicts():
            name = (row["outcome"], row["contrast"], row["measure"])
            if _is_combined(row):
                gathered.setdefault(name, []).append(row)
    rows = [_combined(name, own[0]["unit"], own) for name, own in gathered.items() if len(own) > 1]
    if not rows:
        raise ModelError(
            "No contrast is estimated in two or more of the bundles.",
            mend="Give bundles whose results/estimands.csv estimate the same contrast.",
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def pooled_tables(tables: list[Tables], settings: Settings) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Put the tables of several bundles together as the fit reads them.

    Every pseudonym is prefixed by the bundle's number, so that no two associations share one. What
    one bundle withholds (elevation, wind) is empty for its rows.
    """

    def named(table: pl.DataFrame, number: int) -> pl.DataFrame:
        own = [c for c in LETTERS if c in table.columns]
        return table.with_columns((pl.lit(f"B{number}-") + pl.col(c)).alias(c) for c in own)

    units = [named(t.colony_winters, i) for i, t in enumerate(tables, 1)]
    mites = [named(t.mite_samples, i) for i, t in enumerate(tables, 1)]
    return (
        as_derived_units(pl.concat(units, how="diagonal"), settings.winter),
        as_derived_mites(pl.concat(mites, how="diagonal"), settings.winter),
    )


def _joint_settings(bundles: list[Bundle]) -> Settings:
    """Return the settings of a joint fit; what counts as what must be the same everywhere."""
    first = bundles[0].settings
    for bundle in bundles[1:]:
        for section in ("winter", "levels", "stores"):
            if getattr(bundle.settings, section) != getattr(first, section):
                raise ModelError(
                    f"{bundle.path} and {bundles[0].path} differ in the settings under "
                    f"[{section}]: their tables do not mean the same.",
                    mend="Combine their estimates alone, without --refit.",
                )
    return first


def _joint(bundles: list[Bundle], progress: Progress) -> pl.DataFrame:
    from models.fit import fit

    settings = _joint_settings(bundles)
    require_modest(settings, bundles[0].path, "Combine the estimates alone, without --refit.")
    colony_winters, mite_samples = pooled_tables([b.tables for b in bundles], settings)
    return fit(colony_winters, mite_samples, settings, progress).estimands


def _require_own_colonies(bundles: list[Bundle]) -> None:
    """Refuse bundles of one association: its colonies would count twice."""
    seen: set[str] = set()
    for bundle in bundles:
        own = set(bundle.tables.colony_winters["colony_id"].to_list())
        if own & seen:
            raise BundleError(
                f"{bundle.path} holds colonies of a bundle named before it.",
                mend="Name one bundle of each association.",
            )
        seen |= own


def _differing(bundles: list[Bundle]) -> list[str]:
    """Say which bundles mean something else by a level or a winter than the first."""
    first = bundles[0]
    return [
        f"{bundle.path} and {first.path} differ in the settings under [{section}]: their estimates "
        f"are not quite of the same {what}."
        for bundle in bundles[1:]
        for section, what in (("levels", "levels"), ("winter", "winter"))
        if getattr(bundle.settings, section) != getattr(first.settings, section)
    ]


def combine_bundles(paths: list[Path], *, has_refit: bool, progress: Progress) -> Combination:
    """Combine bundles.

    Parameters
    ----------
    paths : list of Path
        Two or more.
    has_refit : bool
        Also fit all tables together.
    progress : Progress

    Raises
    ------
    BundleError
        A bundle is not as published, is given twice, or shares colonies with another.
    ModelError
        No contrast is estimated by two or more, or the tables do not mean the same.
    """
    if len(paths) < 2:
        raise ModelError("One bundle alone cannot be combined.", mend="Name two or more bundles.")
    bundles = [read_bundle(path) for path in paths]
    digests = {(path / SUMS).read_bytes() for path in paths}
    if len(digests) < len(bundles):
        raise BundleError(
            "The same bundle is given twice, so that its colonies would count twice.",
            mend="Name each bundle once.",
        )
    _require_own_colonies(bundles)
    table = combine_estimands([bundle.estimands for bundle in bundles])
    words = [
        f"{len(bundles)} bundles. Mean effect over associations like these, in their own winters; "
        "'another association' is where the effect of one not among them would lie.",
        "How much associations differ has a half-normal prior; its scale stands in the table, and "
        "matters with few bundles. Each bundle's estimate carries the model's own weak priors.",
        "Associations that share members or winters are not independent: the limits are then too "
        "narrow.",
        *_differing(bundles),
    ]
    if any(bundle.settings.study.is_invented for bundle in bundles):
        words.insert(0, "Some of these bundles are invented: nothing here is evidence.")
    joint = _joint(bundles, progress) if has_refit else None
    return Combination(table, joint, words)


def require_free(path: Path) -> None:
    """Refuse a place where no new file can be written.

    Raises
    ------
    StudyError
        The file exists, or its folder does not.
    """
    if path.exists():
        raise StudyError(f"{path} exists already.", mend="Name a file that does not exist.")
    if not path.parent.is_dir():
        raise StudyError(
            f"{path.parent}, where {path.name} was to be written, is not a folder.",
            mend="Make the folder first, or name another.",
        )


def write_combination(found: Combination, path: Path) -> None:
    """Write the synthesis as CSV.

    Raises
    ------
    StudyError
        The file exists, or its folder does not.
    StoreError
        The disk is full; there is no file.
    """
    require_free(path)
    draft = path.with_name(f".{path.name}.draft")
    try:
        texts = [pl.col(pl.String).map_elements(safe_cell, return_dtype=pl.String)]
        with disk_errors(path, "file"):
            found.table.with_columns(texts).write_csv(draft)
            os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)
