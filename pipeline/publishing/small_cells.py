"""How many colonies look alike: the k-anonymity of published colony-winters.

What an outsider may know of a colony is its *view*. Two are looked at: what can be seen over the
fence (how many colonies stand there, the winter, the insulation level, how cold, high and windy
the place is) and what a notebook tells (how many colonies, the winter, the strengths; no date is
published). Every published colony-winter must share each view with at least k - 1 others, and the
first with a colony of another member. Whether the top is open can be seen too, but the estimates
need it, and as part of the view it would cost a small pool two colony-winters of three: those that
then look like too few are counted and told instead.

References
----------
Sweeney (2002), Int. J. Uncertain. Fuzziness Knowl.-Based Syst. 10:557-570, for k-anonymity.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.publishing.alike import SEASONS, make_alike
from pipeline.publishing.coarsen import Step
from pipeline.stages.windows import UNIT

FENCE, NOTEBOOK = "over the fence", "from a notebook"


@dataclass(frozen=True, slots=True)
class Protected:
    """Units that pass, and the account of it.

    Attributes
    ----------
    units : polars.DataFrame
        Published colony-winters, strengths alike, without ``apiary_size``.
    report : polars.DataFrame
        ``view, known, classes, colony_winters, smallest_class, expected_share``: the last is the
        share of colony-winters that an outsider who picks at random within the class finds.
    n_left_out : int
        Colony-winters left out because too few look like them.
    n_alone : int
        Apiaries that no other apiary equals in its sizes over the winters: who knows a whole
        apiary through all winters can tell these.
    n_by_opening : int
        Published colony-winters that look like too few to somebody who also sees whether the top
        is open.
    """

    units: pl.DataFrame
    report: pl.DataFrame
    n_left_out: int
    n_alone: int
    n_by_opening: int


def with_size(units: pl.DataFrame) -> pl.DataFrame:
    """Add ``apiary_size``: colonies of the apiary published for that winter."""
    return units.with_columns(apiary_size=pl.len().over("apiary_id", "winter"))


def fence_view(step: Step) -> tuple[str, ...]:
    """What can be seen of a colony by passing."""
    return ("apiary_size", "winter", "level", *step.columns)


def too_few_alike(units: pl.DataFrame, view: tuple[str, ...], k: int) -> pl.Series:
    """Which rows share a view with fewer than k - 1 others, or with no other member."""
    return (
        with_size(units)
        .select(
            (pl.len().over(view) < k) | (pl.col("member_id").n_unique().over(view) < 2),
        )
        .to_series()
    )


def leave_out_small(units: pl.DataFrame, view: tuple[str, ...], k: int) -> pl.DataFrame:
    """Leave out rows that too few look like, until none is left.

    Of each winter the largest apiaries with such rows lose one each, the first by colony: with
    pseudonyms that is a draw. They are then as large as others, and their other rows are looked at
    anew; to leave out all such rows at once would cost a small pool two and a half times as many.
    """
    while units.height:
        marked = with_size(units).with_columns(is_small=too_few_alike(units, view, k))
        small = marked.filter("is_small")
        if small.is_empty():
            break
        largest = small.filter(pl.col("apiary_size") == pl.col("apiary_size").max().over("winter"))
        goes = largest.sort(*UNIT).unique(
            ["apiary_id", "winter"], keep="first", maintain_order=True
        )
        units = units.join(goes.select(*UNIT), on=UNIT, how="anti", maintain_order="left")
    return units


def _line(units: pl.DataFrame, view: str, known: tuple[str, ...]) -> dict[str, object]:
    sizes = units.group_by(known).len()["len"]
    return {
        "view": view,
        "known": ", ".join(known),
        "classes": len(sizes),
        "colony_winters": units.height,
        "smallest_class": sizes.min() if len(sizes) else None,
        "expected_share": len(sizes) / units.height if units.height else None,
    }


def _report(units: pl.DataFrame, step: Step) -> pl.DataFrame:
    rows = [_line(units, FENCE, fence_view(step))]
    strengths = [f"{season}_strength_frames" for season in SEASONS]
    for known in (strengths, strengths[:1], strengths[1:]):
        counted = units.filter(pl.all_horizontal(pl.col(known).is_not_null()))
        if counted.height:
            rows.append(_line(counted, NOTEBOOK, ("apiary_size", "winter", *known)))
    return pl.DataFrame(rows)


def _alone(units: pl.DataFrame) -> int:
    """Count apiaries whose sizes over the winters no other apiary has."""
    sizes = units.group_by("apiary_id", "winter").len().sort("apiary_id", "winter")
    profiles = sizes.group_by("apiary_id").agg(profile=pl.struct("winter", "len"))
    words = profiles.select(
        pl.col("profile").map_elements(lambda p: repr(p.to_list()), return_dtype=pl.String)
    )
    return words.group_by("profile").len().filter(pl.col("len") == 1).height


def protect(units: pl.DataFrame, step: Step, k: int) -> Protected:
    """Leave out what too few look like, make strengths alike, and hide rarities.

    Parameters
    ----------
    units : polars.DataFrame
        As ``coarsen.publishable_units`` gives them.
    step : Step
    k : int
        Smallest class.
    """
    view = fence_view(step)
    kept = leave_out_small(units, view, k)
    alike = make_alike(with_size(kept), k) if kept.height else with_size(kept)
    return Protected(
        without_rarities(alike.drop("apiary_size"), k),
        _report(alike, step),
        units.height - kept.height,
        _alone(alike),
        int(too_few_alike(kept, (*view, "top_opening"), k).sum()),
    )


def without_rarities(units: pl.DataFrame, k: int) -> pl.DataFrame:
    """Hide what by itself singles out few: a rare treatment becomes ``other``, old queens alike.

    A treatment must be used in k colony-winters and by two members; the ages of queens end at the
    greatest that k colony-winters reach. Losses to a disaster that are fewer than k in a winter, or
    one member's alone, are told as survival not known.
    """
    if "is_disaster" in units.columns:
        lost = ["winter", "is_disaster"]
        is_rare = (pl.len().over(lost) < k) | (pl.col("member_id").n_unique().over(lost) < 2)
        is_told = pl.when(pl.col("is_disaster") & is_rare).then(pl.lit(False))
        units = units.with_columns(is_disaster=is_told.otherwise("is_disaster"))
    named = "treatment_ingredient"
    if named in units.columns:
        is_rare = (pl.len().over(named) < k) | (pl.col("member_id").n_unique().over(named) < 2)
        shown = pl.when(is_rare & pl.col(named).is_not_null()).then(pl.lit("other"))
        units = units.with_columns(shown.otherwise(named).alias(named))
    ages = units["queen_age_years"].drop_nulls().sort(descending=True)
    oldest = ages[k - 1] if len(ages) >= k else None  # known of fewer than k: of none
    clipped = pl.min_horizontal("queen_age_years", pl.lit(oldest, pl.Float64))
    is_known = pl.col("queen_age_years").is_not_null() & (pl.lit(oldest is not None))
    return units.with_columns(queen_age_years=pl.when(is_known).then(clipped))


def describe_units(units: pl.DataFrame) -> str:
    """Say how much there is."""
    return (
        f"{units.height:,} colony-winters of {units['member_id'].n_unique()} members "
        f"({units.select(UNIT[0]).n_unique():,} colonies)"
    )
