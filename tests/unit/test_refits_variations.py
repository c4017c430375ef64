"""Every variation of the study's own analysis: tables in, tables out, nothing lost."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import polars as pl
import pytest
import xarray as xr

from models.data import pack_pool
from models.joint import build_joint_model
from models.predictor import layout_of
from models.refits import sampling
from models.refits.autumn_strength import build_autumn_model, count_before
from models.refits.base import Budget, Records, estimated_row, has_moved, is_alike
from models.refits.choices import (
    choice_variations,
    cold_of_own_window,
    disasters_as_losses,
    mites_left_out,
)
from models.refits.dose import (
    dose_draws,
    dose_pool,
    is_dose_pool,
    only_known_conductance,
    typical_conductances,
)
from models.refits.sampling import likeness
from models.refits.subsets import (
    CHOSEN,
    INCOMPLETE,
    LEFT_OUT,
    only_complete_cases,
    only_drawn_by_lot,
    without,
    without_largest_member,
)
from models.simulate import Scenario, simulate_pool
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings

EVERY_PART = ("cold", "autumn strength", "queen age", "wind exposure", "elevation", "top opening")
SETTINGS = Settings(model=ModelSettings(minimum_colonies=3, minimum_links=1))


def units(**columns) -> Records:
    """Six units, one of them excluded already, complete unless a column says otherwise."""
    whole = {
        "colony_id": list("abcdef"),
        "winter": [2023] * 6,
        "member_id": ["m1", "m1", "m1", "m2", "m2", "m3"],
        "apiary_id": ["p1", "p1", "p2", "p3", "p3", "p4"],
        "exclusion_reason": [None] * 5 + ["no set-up recorded"],
        "assignment": ["randomised", "chosen", None, "randomised", "chosen", "randomised"],
        "cold_kd_per_day": [12.0] * 6,
        "autumn_strength_frames": [8.0] * 6,
        "queen_age_years": [1.0] * 6,
        "wind_exposure": ["moderate"] * 6,
        "elevation_m": [200.0] * 6,
        "top_opening": ["open"] * 6,
        "mite_counts_used": [1] * 6,
        "was_treated": [True] * 6,
        "conductance_w_per_k": [3.0] * 6,
    }
    return Records(pl.DataFrame(whole | columns, strict=False), pl.DataFrame())


def reasons(records: Records) -> list[str | None]:
    return records.colony_winters["exclusion_reason"].to_list()


def test_complete_cases_lose_those_with_a_gap_and_say_so():
    given = units(
        queen_age_years=[None, 1.0, 1.0, 1.0, 1.0, None], mite_counts_used=[1, 0, 1, 1, None, 1]
    )
    made = only_complete_cases(given, [*EVERY_PART, "mites"])
    assert reasons(made) == [INCOMPLETE, INCOMPLETE, None, None, INCOMPLETE, "no set-up recorded"]


def test_complete_cases_ask_only_for_what_the_model_reads():
    given = units(queen_age_years=[None] * 6, mite_counts_used=[0] * 6)
    parts = [name for name in EVERY_PART if name != "queen age"]
    assert reasons(only_complete_cases(given, parts)) == [None] * 5 + ["no set-up recorded"]
    assert reasons(only_complete_cases(given, ["mites"]))[:5] == [INCOMPLETE] * 5


def test_complete_cases_do_not_ask_for_autumn_stores():
    """Those are empty by rule where a wrap stood on the scale: asking would drop levels."""
    given = units(autumn_stores_kg=[None] * 6)
    made = only_complete_cases(given, [*EVERY_PART, "mites", "autumn stores"])
    assert reasons(made)[:5] == [None] * 5


def test_only_what_a_draw_decided_stays():
    made = only_drawn_by_lot(units())
    assert reasons(made) == [None, CHOSEN, CHOSEN, None, CHOSEN, "no set-up recorded"]


def test_one_member_or_apiary_is_left_out_and_every_row_stays():
    assert reasons(without(units(), "member", "m2"))[3:5] == [LEFT_OUT, LEFT_OUT]
    assert reasons(without(units(), "apiary", "p2")) == [
        None,
        None,
        LEFT_OUT,
        None,
        None,
        "no set-up recorded",
    ]
    largest = without_largest_member(units())
    assert reasons(largest) == [LEFT_OUT] * 3 + [None, None, "no set-up recorded"]
    assert largest.colony_winters.drop("exclusion_reason").equals(
        units().colony_winters.drop("exclusion_reason")
    )


def test_disasters_become_losses_and_nothing_else_does():
    given = units(is_alive=[True, None, None, False, True, True], is_disaster=[False, True] * 3)
    alive = disasters_as_losses(given).colony_winters["is_alive"].to_list()
    assert alive == [True, False, None, False, True, False]


def test_the_own_windows_cold_takes_the_place_of_the_winters():
    given = units(window_cold_kd_per_day=[1.0, 2.0, 3.0, None, 5.0, 6.0])
    assert cold_of_own_window(given).colony_winters["cold_kd_per_day"].to_list() == [
        1.0,
        2.0,
        3.0,
        None,
        5.0,
        6.0,
    ]


@pytest.mark.parametrize("variation", choice_variations(), ids=lambda v: v.name)
def test_a_choice_changes_one_section_of_the_settings_or_the_records(variation):
    own = Settings()
    made = variation.change_settings(own)
    changed = [f.name for f in fields(own) if getattr(made, f.name) != getattr(own, f.name)]
    assert len(changed) <= 1
    assert set(changed) <= {"winter", "levels", "stores"}
    assert 5 < len(variation.words) < 36
    assert variation.outcomes


def test_choices_have_names_and_words_of_their_own():
    every = choice_variations()
    assert len({v.name for v in every}) == len({v.words for v in every}) == len(every)
    made = {v.name: v.change_settings(Settings()) for v in every}
    assert made["starts_earlier"].winter.starts_on == "09-17"
    assert made["no_midwinter_weighings"].winter.spring_weighing_from == "03-01"
    assert made["threshold_lower"].levels.added_resistance_m2k_per_w == pytest.approx(0.245)
    assert not made["floor"].levels.is_floor_counted
    assert made["feed_worth"].stores.processing_loss == 0.25
    assert made["weighing_errors"].stores.scale_sd_kg == 1.0


@pytest.fixture(scope="module")
def simulated() -> Records:
    made = simulate_pool(Scenario(n_members=5, colonies_per_apiary=4), seed=3)
    level = pl.col("level").cast(pl.String)
    conductance = level.replace_strict(
        {"none": 3.0, "top": 2.5, "partial": 1.5, "full": 0.75}, return_dtype=pl.Float64
    )
    rows = made.colony_winters.with_columns(
        mite_counts_used=pl.lit(1, pl.Int64),
        conductance_w_per_k=conductance,
        autumn_strength_on=pl.date(pl.col("winter"), 9, 20),
    )
    return Records(rows, made.mite_samples)


def pooled(records: Records):
    return pack_pool(records.colony_winters, records.mite_samples, SETTINGS)


@pytest.mark.parametrize(
    ("name", "gone"),
    [
        ("no_mites", {"mites"}),
        ("no_cold", {"cold"}),
        ("no_autumn_stores", {"autumn stores"}),
        ("no_autumn_strength", {"autumn strength"}),
        ("no_queen_or_place", {"queen age", "wind exposure", "elevation"}),
    ],
)
def test_what_is_left_out_leaves_the_model_and_no_unit_does(simulated, name, gone):
    [variation] = [v for v in choice_variations() if v.name == name]
    own, varied = pooled(simulated), pooled(variation.change_records(simulated))
    assert varied.unit_names == own.unit_names
    assert {p for p in own.parts if own.has(p) and not varied.has(p)} == gone
    assert not is_alike(own, varied)


def test_a_pool_is_alike_itself_and_not_another(simulated):
    own = pooled(simulated)
    assert is_alike(own, pooled(simulated))
    assert is_alike(own, replace(own, log_window=own.log_window + 1e-14))
    assert not is_alike(own, replace(own, log_window=own.log_window + 1e-3))
    assert not is_alike(own, replace(own, level=own.level[::-1]))
    assert not is_alike(own, pooled(mites_left_out(simulated)))
    assert likeness(own) == likeness(replace(own, level=own.level[::-1]))


def test_the_dose_model_has_a_slope_and_no_level(simulated):
    own = pooled(simulated)
    dose = dose_pool(own, simulated)
    names = layout_of(dose).names
    assert "slope of insulation" in names
    assert not any(name.startswith(("step to", "cold at", "top opening at")) for name in names)
    assert {"member share insulation", "apiary share insulation"} <= set(names)
    assert is_dose_pool(dose)
    assert not is_dose_pool(own)
    [covariate] = [c for c in dose.covariates if c.name == "insulation"]
    expected = -np.log([3.0, 2.5, 1.5, 0.75])[own.level]
    assert covariate.location + covariate.scale * covariate.mean == pytest.approx(expected)
    assert typical_conductances(own, simulated, ("full", "none")) == [0.75, 3.0]
    shares = dose.member_share[dose.member, 0] + dose.apiary_share[dose.apiary, 0]
    assert shares == pytest.approx(
        [covariate.mean[dose.apiary == a].mean() for a in dose.apiary], abs=1e-9
    )
    model = build_joint_model(dose)
    assert np.isfinite(model.compile_logp()(model.initial_point()))


def test_the_dose_answer_is_the_slope_times_the_doses_compared(simulated):
    dose = dose_pool(pooled(simulated), simulated)
    layout = layout_of(dose)
    coefficient = np.zeros((1, 2, 3, len(layout.coefficients)))
    coefficient[..., layout.coefficient("intercept")] = [2.0, 0.0, 1.0]
    coefficient[0, 1, :, layout.coefficient("slope of", "insulation")] = [-0.1, 0.5, 0.0]
    zeros = {
        "group_effect": (
            ("chain", "draw", "outcome", "group"),
            np.zeros((1, 2, 3, layout.n_groups)),
        ),
        "winter_effect": (
            ("chain", "draw", "outcome", "winter"),
            np.zeros((1, 2, 3, len(layout.winters))),
        ),
        "covariate_z": (("chain", "draw", "latent"), np.zeros((1, 2, 500))),
        "mite_load": (("chain", "draw", "unit"), np.zeros((1, 2, dose.n_units))),
    }
    posterior = xr.Dataset(
        {"coefficient": (("chain", "draw", "outcome", "term"), coefficient)} | zeros
    )
    made = dose_draws(dose, posterior, [0.75, 3.0])
    scale = dose.covariates[-1].scale
    location = dose.covariates[-1].location
    z = [(-np.log(c) - location) / scale for c in (0.75, 3.0)]
    kg = [np.exp(2.0 - 0.1 * value) for value in z]
    alive = [1.0 / (1.0 + np.exp(-0.5 * value)) for value in z]
    assert made["stores use"] == pytest.approx([0.0, kg[1] - kg[0]])
    assert made["survival"] == pytest.approx([0.0, 100.0 * (alive[0] - alive[1])])
    assert made["spring strength"] == pytest.approx([0.0, np.e * (alive[0] - alive[1])])


def test_a_hive_of_unknown_conductance_is_left_out_of_the_dose_model():
    made = only_known_conductance(units(conductance_w_per_k=[3.0, None, 2.0, 1.0, 0.0, None]))
    assert [reason is None for reason in reasons(made)] == [True, False, True, True, False, False]


def test_counts_after_the_set_up_are_left_out_of_the_falsification(simulated):
    keys = simulated.colony_winters.select("colony_id", "winter")
    early = keys.head(4).with_columns(installed_on=pl.date(pl.col("winter"), 9, 1))
    late = keys.slice(4).with_columns(installed_on=pl.date(pl.col("winter"), 10, 1))
    pool = pooled(simulated)
    before = count_before(pool, simulated, pl.concat([early, late]))
    known = simulated.colony_winters["autumn_strength_frames"]
    assert before.n_after == known.head(4).count()
    assert len(before.frames) == known.slice(4).count()
    assert before.design.mean(axis=0) == pytest.approx(np.zeros(len(before.names)), abs=1e-12)
    assert not {"slope of cold", "slope of autumn strength"} & set(before.names)
    model = build_autumn_model(before, 3)
    assert np.isfinite(model.compile_logp()(model.initial_point()))
    assert {"yard_z", "winter_effect", "colony_z"} <= {v.name for v in model.free_RVs}


def test_a_sampler_that_breaks_off_is_told_as_not_converged(simulated, monkeypatch):
    class Broken:
        def sample(self, chosen, progress):
            raise RuntimeError("All initialization points failed")

    monkeypatch.setattr(sampling, "compile_pool", lambda pool, is_reused: Broken())
    [variation] = [v for v in choice_variations() if v.name == "no_cold"]
    given = variation.change_records(simulated)
    rows, _ = sampling.refit_pool(
        variation,
        pooled(given),
        given,
        SETTINGS,
        "full vs none",
        Budget(),
        SILENT,
        is_shared=False,
    )
    assert {row["status"] for row in rows} == {"not converged"}
    assert {row["reason"] for row in rows} == {"The sampler of the refit broke off."}


def test_moving_the_answer_needs_more_than_its_own_spread_and_than_chance():
    own = {"mean": 3.0, "sd": 1.0}
    assert not has_moved(own, {"mean": 3.9, "sd": 1.0})
    assert has_moved(own, {"mean": 1.9, "sd": 1.0})
    assert has_moved(own, {"mean": 1.9, "sd": 0.5})
    # with sd 2 chance alone moves it by sqrt(3): twice that is 3.46
    assert not has_moved(own, {"mean": 6.4, "sd": 2.0})
    assert has_moved(own, {"mean": 6.5, "sd": 2.0})


def test_chains_that_disagree_give_no_number():
    rng = np.random.default_rng(1)
    good = rng.normal(2.0, 1.0, 1000)
    row = estimated_row("survival", good, 2, 90)
    assert row["status"] == "estimated"
    assert row["unit"] == "points"
    assert row["mean"] == pytest.approx(good.mean())
    assert row["q97.5"] == pytest.approx(np.quantile(good, 0.975))
    apart = np.concatenate([good[:500], good[500:] + 3.0])
    row = estimated_row("survival", apart, 2, 90)
    assert row["status"] == "not converged"
    assert row["mean"] is None
    assert row["r_hat"] > 1.05
    assert estimated_row("survival", np.full(1000, np.nan), 2, 9)["status"] == "not converged"
