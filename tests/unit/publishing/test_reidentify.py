"""Try to find colonies in a bundle with the raw study in hand: the stated bound must hold.

The bound: somebody who knows of a colony-winter how many colonies of its apiary were sent in, the
dates of its records and its strengths, knows how the bundle was made, and picks among what fits,
is right at most once in k; over all colony-winters at most n/k are found. The chance of a right
match is reckoned exactly (one over the number of rows that fit equally well), not drawn.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.simulate import Scenario, simulate_pool
from pipeline.publishing.alike import make_alike, split_alike
from pipeline.publishing.coarsen import STEPS, publishable_mites, publishable_units
from pipeline.publishing.small_cells import (
    fence_view,
    protect,
    too_few_alike,
    with_size,
    without_rarities,
)
from pipeline.settings import Settings
from pipeline.stages.windows import UNIT

STRENGTHS = ("autumn_strength_frames", "spring_strength_frames")
COARSEST = 2


def raw_pool(seed: int, n_members: int = 16) -> pl.DataFrame:
    """Analysed colony-winters with exact strengths and a date of their own."""
    made = simulate_pool(Scenario(n_members=n_members, apiaries_per_member=2), seed).colony_winters
    rng = np.random.default_rng(seed)
    days = rng.integers(0, 40, made.height)
    missing = {"treatment_ingredient", "is_disaster"} - set(made.columns)
    return made.with_columns(
        pl.date(pl.col("winter"), 9, 10)
        .dt.offset_by(pl.Series([f"{d}d" for d in days]))
        .alias("autumn_strength_on"),
        *(pl.lit(None).alias(name) for name in sorted(missing)),
    ).sort(*UNIT)


def published_of(raw: pl.DataFrame, k: int) -> pl.DataFrame:
    return protect(publishable_units(raw, Settings(), STEPS[COARSEST]), STEPS[COARSEST], k).units


def expected_right(raw: pl.DataFrame, published: pl.DataFrame) -> np.ndarray:
    """Chance of the right row for every published colony-winter, by the closest strengths.

    Candidates stand in apiaries of the size the outsider counted (published colonies; larger in
    truth where rows were left out, which only misleads) in the same winter. Of these the rows whose
    published strengths lie closest to the known ones fit; a strength that is not published fits
    everything. Dates are known too, but no date is published.
    """
    known = raw.join(published.select(*UNIT), on=UNIT, how="semi").sort(*UNIT)
    shown = with_size(published).sort(*UNIT)
    table = shown.select(STRENGTHS).fill_null(np.nan).to_numpy().astype(float)
    true = known.select(STRENGTHS).fill_null(np.nan).to_numpy().astype(float)
    size, winter = shown["apiary_size"].to_numpy(), shown["winter"].to_numpy()
    right = np.zeros(len(table))
    for i in range(len(table)):
        here = np.flatnonzero((size == size[i]) & (winter == winter[i]))
        gap = (table[here] - true[i]) ** 2
        is_known = np.isfinite(true[i])
        # what the outsider knows but the row does not show tells nothing for or against it
        distance = np.nansum(gap[:, is_known], axis=1)
        comparable = np.isfinite(gap[:, is_known]).all(axis=1)
        distance = np.where(comparable, distance, np.inf if comparable.any() else 0.0)
        best = here[distance <= distance.min() + 1e-9]
        right[i] = (i in best) / len(best)
    return right


@pytest.mark.parametrize("k", [3, 5])
@pytest.mark.parametrize("seed", [1, 2])
def test_size_dates_and_strength_find_no_more_than_one_in_k(seed: int, k: int) -> None:
    raw = raw_pool(seed)
    published = published_of(raw, k)
    assert published.height > 0.7 * raw.height
    right = expected_right(raw, published)
    assert right.max() <= 1 / k + 1e-9
    assert right.sum() <= published.height / k


def test_the_attack_finds_colonies_where_nothing_is_done_about_it() -> None:
    """The same attack on exact strengths: it is a real one."""
    raw = raw_pool(1)
    plain = publishable_units(raw, Settings(), STEPS[COARSEST])
    assert expected_right(raw, plain).mean() > 0.5


def test_what_is_seen_over_the_fence_finds_no_more_than_one_in_k() -> None:
    k = 4
    raw = raw_pool(3)
    for coarser, step in enumerate(STEPS[1:], 1):
        published = protect(publishable_units(raw, Settings(), step), step, k).units
        if published.is_empty():
            assert coarser == 1
            continue
        view = fence_view(step)
        assert "cold_kd_per_day" in view
        sizes = with_size(published).group_by(view).len()["len"]
        assert sizes.min() >= k
        assert not too_few_alike(published, view, k).any()


def test_means_of_groups_keep_the_level_of_strength_and_tell_how_coarse_they_are() -> None:
    raw = raw_pool(4)
    units = with_size(publishable_units(raw, Settings(), STEPS[COARSEST]))
    alike = make_alike(units, 5)
    assert alike.select(*UNIT).equals(units.select(*UNIT))
    for name in STRENGTHS:
        shown = alike.filter(pl.col(name).is_not_null())
        before = units.join(shown.select(*UNIT), on=UNIT, how="semi")
        assert shown[name].mean() == pytest.approx(before[name].mean(), abs=0.15)
        within = float((shown[name] - before[name]).pow(2).mean())
        sd = f"{name.removesuffix('_frames')}_sd_frames"
        told = float((shown[sd] ** 2).mean() - (before[sd].fill_null(0.0) ** 2).mean())
        assert told == pytest.approx(within, rel=0.25)


def test_groups_hold_at_least_k_and_lie_together() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=(83, 2)) * [3.0, 1.0]
    groups = split_alike(values, 5)
    assert sorted(np.concatenate(groups).tolist()) == list(range(83))
    assert all(5 <= len(group) < 10 for group in groups)
    within = np.mean([values[g].var(axis=0).sum() for g in groups])
    assert within < 0.4 * values.var(axis=0).sum()
    assert [len(g) for g in split_alike(values[:4], 5)] == [4]


def test_a_strength_that_too_few_share_is_withheld() -> None:
    frame = pl.DataFrame(
        {
            "colony_id": ["a", "b", "c", "d"],
            "winter": [2024] * 4,
            "apiary_id": ["x"] * 4,
            "autumn_strength_frames": [5.0, 6.0, 7.0, 8.0],
            "autumn_strength_sd_frames": [1.0] * 4,
            "spring_strength_frames": [None, 4.0, 5.0, None],
            "spring_strength_sd_frames": [None, 1.0, 1.0, None],
        }
    )
    alike = make_alike(with_size(frame), 3)
    assert alike["spring_strength_frames"].to_list() == [None] * 4
    assert alike["autumn_strength_frames"].to_list() == [6.5] * 4
    assert alike["autumn_strength_sd_frames"].to_list() == pytest.approx([1.5] * 4, abs=0.01)


def test_a_rare_treatment_and_an_old_queen_are_not_told() -> None:
    frame = pl.DataFrame(
        {
            "member_id": ["a", "a", "b", "b", "b", "b"],
            "treatment_ingredient": ["thymol", "thymol", "thymol", "hop acids", None, "amitraz"],
            "queen_age_years": [0.0, 1.0, 1.0, 2.0, None, 7.0],
        }
    )
    shown = without_rarities(frame, 2)
    told = ["thymol", "thymol", "thymol", "other", None, "other"]
    assert shown["treatment_ingredient"].to_list() == told
    assert shown["queen_age_years"].to_list() == [0.0, 1.0, 1.0, 2.0, None, 2.0]
    assert without_rarities(frame, 6)["queen_age_years"].null_count() == 6


def test_a_disaster_that_struck_few_is_not_told() -> None:
    frame = pl.DataFrame(
        {
            "member_id": ["a", "b", "c", "a", "a", "a", "a", "b", "c", "d"],
            "winter": [2022] * 3 + [2023] * 3 + [2024] * 4,
            "is_disaster": [True] * 3 + [True] * 3 + [True, True, False, None],
            "queen_age_years": [1.0] * 10,
        }
    )
    told = without_rarities(frame, 3)["is_disaster"].to_list()
    # three of three members; three of one member; two
    assert told == [True] * 3 + [False] * 3 + [False, False, False, None]


def test_a_day_that_few_share_is_the_mean_of_all_winters() -> None:
    colonies = ["a", "b", "c", "d", "e"]
    units = pl.DataFrame(
        {
            "colony_id": [*colonies, *colonies[:2], *colonies[:3]],
            "winter": [2022] * 5 + [2023] * 2 + [2024] * 3,
            "member_id": ["m", "m", "m", "n", "n", "m", "n", "m", "m", "m"],
        }
    )
    counts = units.drop("member_id").with_columns(
        method=pl.lit("alcohol wash"),
        bees_sampled=300,
        mites_counted=4,
        board_days=None,
        treatments_between=0,
        days_before_reference=pl.Series([-1.0, 0.0, 1.0, 0.0, -0.5] + [7.0] * 2 + [-5.0] * 3),
    )
    days = publishable_mites(counts, units, 3).select("winter", "days_before_reference")
    mean = round((-0.5 + 14.0 - 15.0) / 10) + 0.0
    assert set(days.rows()) == {(2022, 0.0), (2023, mean), (2024, mean)}
    assert "-0" not in days.write_csv()


def test_what_the_top_opening_tells_is_counted() -> None:
    raw = raw_pool(3)
    found = protect(publishable_units(raw, Settings(), STEPS[COARSEST]), STEPS[COARSEST], 4)
    view = [*fence_view(STEPS[COARSEST]), "top_opening"]
    by_hand = with_size(found.units).select(
        (pl.len().over(view) < 4) | (pl.col("member_id").n_unique().over(view) < 2)
    )
    assert found.n_by_opening == by_hand.to_series().sum()
    assert 0 < found.n_by_opening < found.units.height
