"""Standardisation: a hand-worked pool, brute force, and agreement with the model's graph."""

from __future__ import annotations

import numpy as np
import polars as pl
import pymc as pm
import pytest
import xarray as xr

from models.conditions import conditions_table
from models.data import pack_pool
from models.estimands import (
    ALL,
    FULL_CLOSED,
    NEW,
    NONE_CLOSED,
    NONE_OPEN,
    THESE,
    Setting,
    contrast_draws,
    pool_means,
)
from models.identify import identify_contrasts
from models.joint import build_joint_model
from models.priors import Priors
from models.simulate import Scenario, simulate_pool
from models.tables import (
    ESTIMATED,
    describe_population,
    estimand_draws,
    estimand_verdicts,
    estimands_table,
    level_means_table,
)
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from pipeline.settings import ModelSettings, Settings

LOOSE = Settings(model=ModelSettings(minimum_colonies=1, minimum_links=1))


def prior_draws(model: pm.Model, n: int, seed: int, also: tuple = ()):
    """Joint draws of every free and derived variable, as a posterior would hold them."""
    variables = [*model.free_RVs, *model.deterministics]
    with model:
        drawn = pm.draw([*variables, *also], draws=n, mode="FAST_COMPILE", random_seed=seed)
    data = {}
    for variable, values in zip(variables, drawn, strict=False):
        dims = model.named_vars_to_dims.get(variable.name)
        if dims is None:
            dims = [f"{variable.name}_{k}" for k in range(values.ndim - 1)]
        data[variable.name] = (("chain", "draw", *dims), values[None])
    coords = {k: list(v) for k, v in model.coords.items() if v is not None}
    used = {d for dims, _ in data.values() for d in dims}
    dataset = xr.Dataset(data, coords={k: v for k, v in coords.items() if k in used})
    return dataset, drawn[len(variables) :]


@pytest.fixture(scope="module")
def pool():
    scenario = Scenario(n_members=6, colonies_per_apiary=4, n_winters=2)
    made = simulate_pool(scenario, 6)
    table = made.colony_winters.with_columns(
        top_opening=pl.when(pl.int_range(pl.len()) % 17 == 0).then(None).otherwise("top_opening")
    )
    return pack_pool(table, made.mite_samples, Settings())


@pytest.fixture(scope="module")
def prior(pool):
    model = build_joint_model(pool, is_rotated=False)
    alive, kg = model["is_alive"], model["stores_use_kg"]
    return prior_draws(model, 5, 3, also=(alive.owner.inputs[-1], kg.owner.inputs[-2]))


def brute_force(
    pool,
    q,
    draw: int,
    outcome: str,
    level: str | None,
    opening: float | None,
    cold: float | None = None,
):
    """Expected outcome of every unit, each term looked up by name, one unit at a time."""
    one = q.isel(chain=0, draw=draw)
    o = one.sel(outcome=outcome)
    every = [*pool.covariates, pool.autumn_stores]
    latent, seen = one["covariate_z"].values, 0
    values = {}
    for covariate in every:
        places = sorted(set(covariate.place[covariate.sd > 0].tolist()))
        values[covariate.name] = [
            m + (s * latent[seen + places.index(p)] if s > 0 else 0.0)
            for m, s, p in zip(covariate.mean, covariate.sd, covariate.place, strict=True)
        ]
        seen += len(places)
    if cold is not None:
        values["cold"] = [cold] * pool.n_units

    def group(name: str) -> float:
        return float(o["group_effect"].sel(group=name))

    def term(name: str) -> float:
        return float(o["coefficient"].sel(term=name))

    result = []
    for i in range(pool.n_units):
        own = pool.levels[pool.level[i]] if level is None else level
        is_open = (pool.opening[i] if opening is None else opening) - pool.opening.mean()
        member, apiary = pool.members[pool.member[i]], pool.apiaries[pool.apiary[i]]
        winter = pool.winters[pool.winter[i]]
        colony = pool.unit_names[i].removesuffix(f" {winter}")
        eta = term("intercept") + term("top opening") * is_open
        eta += group(f"member {member}") + group(f"apiary {apiary}") + group(f"colony {colony}")
        eta += group(f"apiary-winter {apiary} {winter}")
        eta += float(o["winter_effect"].sel(winter=winter))
        for k, share in enumerate(pool.shares):
            eta += term(f"member share {share}") * pool.member_share[pool.member[i], k]
            eta += term(f"apiary share {share}") * pool.apiary_share[pool.apiary[i], k]
        for covariate in pool.covariates:
            eta += term(f"slope of {covariate.name}") * values[covariate.name][i]
        if outcome == SURVIVAL:
            eta += term("slope of autumn stores") * values["autumn stores"][i]
        eta += term("slope of mites") * float(one["mite_load"][i] - one["mite_load"].mean())
        for k, step in enumerate(("top", "partial", "full"), start=1):
            is_up = ("none", "top", "partial", "full").index(own) >= k
            eta += term(f"step to {step}") * (is_up - np.mean(pool.level >= k))
        if own != "none":
            eta += term(f"top opening at {own}") * is_open
            eta += term(f"cold at {own}") * values["cold"][i]
            eta += group(f"level-winter {own} {winter}")
        if own == "full":
            eta += group(f"full at apiary {apiary}")
        result.append(eta)
    return np.array(result)


def test_the_graph_and_the_brute_force_agree_on_every_unit(pool, prior):
    posterior, (chance, mean_kg) = prior
    rows = pool.observed[SURVIVAL].rows
    eta = brute_force(pool, posterior, 2, SURVIVAL, None, None)
    np.testing.assert_allclose(chance[2], 1 / (1 + np.exp(-eta[rows])), rtol=1e-8)
    rows = pool.observed[STORES].rows
    eta = brute_force(pool, posterior, 2, STORES, None, None)
    window = float(posterior["window_exponent"][0, 2]) * pool.log_window[rows]
    np.testing.assert_allclose(mean_kg[2], np.exp(eta[rows] + window), rtol=1e-8)


@pytest.mark.parametrize(
    "setting", [Setting("none"), Setting("partial"), Setting("full"), NONE_OPEN, FULL_CLOSED]
)
def test_pool_means_are_the_average_of_potential_outcomes(pool, prior, setting):
    posterior, _ = prior
    means = pool_means(pool, posterior, seed=1)
    eta = {
        outcome: brute_force(pool, posterior, 1, outcome, setting.level, setting.opening)
        for outcome in (STORES, SURVIVAL, STRENGTH)
    }
    alive = 1 / (1 + np.exp(-eta[SURVIVAL]))
    expected = {
        STORES: np.exp(eta[STORES]).mean(),
        SURVIVAL: alive.mean(),
        STRENGTH: (alive * np.exp(eta[STRENGTH])).mean(),
    }
    for outcome, value in expected.items():
        got = means.of(outcome, setting, THESE, ALL)[1]
        assert got == pytest.approx(value, rel=1e-8)


def mean_outcome(pool, posterior, outcome: str, level: str, **what_if) -> np.ndarray:
    """Mean of a draw each, by brute force."""
    opening, cold = what_if.get("opening"), what_if.get("cold")
    made = []
    for draw in range(posterior.sizes["draw"]):
        eta = brute_force(pool, posterior, draw, outcome, level, opening, cold)
        if outcome == STORES:
            made.append(np.exp(eta).mean())
            continue
        alive = eta
        if outcome == STRENGTH:
            alive = brute_force(pool, posterior, draw, SURVIVAL, level, opening, cold)
        alive = 1 / (1 + np.exp(-alive))
        frames = np.exp(eta) if outcome == STRENGTH else 1.0
        made.append((alive * frames).mean())
    return np.array(made)


def test_what_cold_and_openings_change_is_the_average_of_potential_outcomes(pool, prior):
    posterior, _ = prior
    estimands = pl.DataFrame(
        [
            {"outcome": outcome, "contrast": contrast, "measure": "difference", "subgroup": "all"}
            | {"horizon": THESE, "status": ESTIMATED}
            for outcome, contrast in (
                (STORES, "full vs none"),
                (SURVIVAL, "partial vs none"),
                (STRENGTH, "full closed vs none"),
            )
        ]
    )
    table = conditions_table(pool, posterior, estimands)
    told = set(table.select("condition", "outcome", "contrast").iter_rows())
    assert told == {
        ("cold", STORES, "full vs none"),
        ("cold", SURVIVAL, "partial vs none"),
        ("top opening", STRENGTH, "none: open vs closed"),
        ("top opening", STRENGTH, "full: open vs closed"),
        ("treatment", "mite load", "any treatment"),
    }
    [change] = table.filter(condition="treatment")["mean"]
    assert change == pytest.approx(100 * np.expm1(posterior["treatment_effect"].values).mean())
    table = table.filter(pl.col("condition") != "treatment")
    for row in table.gather_every(3).to_dicts():
        if row["condition"] == "cold":
            cold = pool.covariates[0]
            at = (row["value"] - cold.location) / cold.scale
            level = row["contrast"].split(" vs ")[0]
            with_it, without = (
                mean_outcome(pool, posterior, row["outcome"], own, cold=at)
                for own in (level, "none")
            )
        else:
            level = row["contrast"].split(":")[0]
            with_it, without = (
                mean_outcome(pool, posterior, row["outcome"], level, opening=own)
                for own in (1.0, 0.0)
            )
        sign = {STORES: -1, SURVIVAL: 100, STRENGTH: 1}[row["outcome"]]
        assert row["mean"] == pytest.approx(sign * (with_it - without).mean(), rel=1e-8)
    cold = table.filter(condition="cold", outcome=STORES)["value"]
    assert [cold.min(), cold.max()] == pytest.approx(np.nanquantile(pool.cold_raw, [0.05, 0.95]))


def test_a_new_winter_keeps_the_centre_and_widens(pool):
    """With every spread at its prior a new winter's mean varies about these winters'."""
    posterior, _ = prior_draws(build_joint_model(pool, is_rotated=False), 400, 9)
    means = pool_means(pool, posterior, seed=2)
    these = means.of(STORES, Setting("none"), THESE, ALL)
    new = means.of(STORES, Setting("none"), NEW, ALL)
    step = np.log(new / these)
    sd = Priors().outcomes[STORES].winter_sd * np.sqrt(1 + 1 / 2)
    assert np.std(step) == pytest.approx(sd, rel=0.15)
    assert abs(np.mean(step)) < 4 * sd / np.sqrt(400)


def test_contrasts_by_hand():
    """Two members, two levels, one draw twice; every number below was worked out by hand."""
    table = pl.DataFrame(
        {
            "colony_id": ["a", "b", "c", "d"],
            "winter": [2022] * 4,
            "apiary_id": ["P", "P", "Q", "Q"],
            "member_id": ["m", "m", "n", "n"],
            "level": ["none", "full", "none", "full"],
            "is_alive": [True, False, True, True],
            "stores_use_kg": [10.0, 8.0, 12.0, 9.0],
            "stores_method_sd_kg": [1.0] * 4,
            "window_days": [177.0] * 4,
            "spring_strength_frames": [4.0, None, 5.0, 6.0],
        }
    )
    template = simulate_pool(Scenario(n_members=2, colonies_per_apiary=2), 1)
    table = table.with_columns(
        *(
            pl.lit(None, dtype=t).alias(c)
            for c, t in template.colony_winters.schema.items()
            if c not in table.columns
        )
    )
    packing = Settings(model=ModelSettings(minimum_colonies=1))
    pool = pack_pool(table, template.mite_samples.clear(), packing)
    terms = ["intercept", "step to full"]
    effects = np.log([[10.0, 0.8], [1.0, 3.0], [5.0, 1.2]])
    effects[:, 0] += effects[:, 1] / 2  # half the pool is full: the intercept is its average
    posterior = xr.Dataset(
        {
            "coefficient": (("chain", "draw", "outcome", "term"), np.stack([effects] * 2)[None]),
            "group_effect": (("chain", "draw", "outcome", "group"), np.zeros((1, 2, 3, 2))),
        },
        coords={"outcome": list(pool.outcomes), "term": terms},
    )
    means = pool_means(pool, posterior, seed=1)

    def contrast(outcome: str) -> dict:
        return {
            k: float(v[0])
            for k, v in contrast_draws(pool, means, outcome, "full vs none", THESE, ALL).items()
        }

    assert contrast(STORES) == pytest.approx({"difference": 2.0, "percent": 20.0})
    # odds 1 and 3: 50 % and 75 %
    assert contrast(SURVIVAL) == pytest.approx({"difference": 25.0, "ratio": 1.5})
    # 0.5 * 5 = 2.5 frames and 0.75 * 6 = 4.5 frames, the dead counted as zero
    assert contrast(STRENGTH) == pytest.approx({"difference": 2.0})
    verdicts = identify_contrasts(pool, LOOSE)
    level_means = level_means_table(pool, means, verdicts, has_converged=True)
    raw = dict(level_means.filter(level="full").select("outcome", "raw").iter_rows())
    assert raw[STORES] == pytest.approx(8.5)
    assert raw[SURVIVAL] == pytest.approx(50.0)
    assert raw[STRENGTH] == pytest.approx(3.0)  # frames 6 and a dead colony
    assert raw["spring strength among survivors"] == pytest.approx(6.0)
    shown = level_means.filter(outcome=STRENGTH, level="none")
    assert shown["mean"].item() == pytest.approx(2.5)
    assert level_means.filter(level="top")["mean"].null_count() == 4


def test_full_closed_mixes_openings_of_none_as_practised(pool, prior):
    posterior, _ = prior
    means = pool_means(pool, posterior, seed=1)
    share = pool.opening[pool.level == 0].mean()
    base = (1 - share) * means.of(STORES, NONE_CLOSED, THESE, ALL)
    base = base + share * means.of(STORES, NONE_OPEN, THESE, ALL)
    got = contrast_draws(pool, means, STORES, "full closed vs none", THESE, ALL)["difference"]
    np.testing.assert_allclose(got, base - means.of(STORES, FULL_CLOSED, THESE, ALL))


def test_rows_exist_for_every_question_whatever_their_status(pool):
    posterior, _ = prior_draws(build_joint_model(pool, is_rotated=False), 600, 9)
    settings = Settings()
    means = pool_means(pool, posterior, seed=1)
    verdicts = estimand_verdicts(pool, posterior, identify_contrasts(pool, settings), settings)
    draws = estimand_draws(pool, means, verdicts)
    good = estimands_table(pool, draws, verdicts, settings, failures=[])
    bad = estimands_table(pool, draws, verdicts, settings, failures=["divergences: 3"])
    assert good.height == bad.height == 5 * 4 * (2 + 3)
    assert good.filter(status="estimated").height > 0
    assert bad.filter(pl.col("mean").is_not_null()).height == 0
    gone = bad.filter(status="not converged")
    assert gone["reason"].unique().to_list() == [
        "The sampler did not pass its gates: divergences: 3."
    ]
    # prior draws carry nothing about cold: thirds must refuse, not dress the prior up
    thirds = good.filter(pl.col("subgroup") != "all")
    assert set(thirds["status"]) == {"cannot be estimated"}
    assert thirds["reason"].str.starts_with("Cannot be estimated from these records").all()
    names = ("q2.5", "q5.5", "q25", "q50", "q75", "q94.5", "q97.5")
    for row in good.filter(status="estimated").iter_rows(named=True):
        limits = [row[n] for n in names]
        assert limits == sorted(limits)
        assert 0.0 <= row["p_benefit"] <= 1.0


def test_the_population_sentence_names_what_the_number_is_about(pool):
    text = describe_population(pool, Settings(), STORES, "full vs none", "all", THESE)
    assert f"All {pool.n_units} colony-winters analysed (winter" in text
    assert "177 days (15 October to 10 April)" in text
    assert "top opening as each colony has it" in text
    assert "losses to disaster not counted" in text
    practised = describe_population(pool, Settings(), SURVIVAL, "full closed vs none", "all", NEW)
    assert "stores" not in practised
    assert "tops closed under full insulation" in practised
    assert "one winter not yet seen" in practised
