"""The net benefit: worked by hand, nothing counted twice, missing prices told."""

from __future__ import annotations

import dataclasses

import numpy as np
import polars as pl
import pytest

from models.payoff.inputs import (
    CHOICES,
    WAGE,
    gather_inputs,
    latest_prices,
    say_borrowed,
    say_missing,
)
from models.payoff.money import capital_recovery, present_worth
from models.payoff.net import (
    PARTS,
    PRICE_DRAWS,
    draw_inputs,
    mean_values,
    net_benefit,
    part_money,
    values_as_given,
)
from models.payoff.quantities import QUANTITIES, SCHEMA, Gains, gains_in, gains_of_units
from models.payoff.results import reckon
from pipeline.errors import StudyError
from pipeline.settings import Settings
from tests.payoff_inputs import (
    AMOUNTS,
    estimand_rows,
    exact_inputs,
    exact_settings,
    normal_draws,
    price_rows,
)

RANGES = {"stores per kg": (6.0, 12.0), "insulation full": (30.0, 70.0), "work per hour": (10, 22)}


def gains(saved: float, deaths: float, frames: float) -> Gains:
    return Gains(np.array([saved]), np.array([deaths]), np.array([frames]))


def of(payoff, level: str, horizon: str = "these winters") -> dict:
    return payoff.tables["payoff"].row(
        by_predicate=(pl.col("level") == level)
        & (pl.col("subgroup") == "all")
        & (pl.col("horizon") == horizon),
        named=True,
    )


def test_a_hand_worked_example_to_the_cent():
    # a kilogram saved: 3/4 at 8.00 and 1/4 as 0.9 kg of sugar at 1.50 = 6.00 + 0.3375 = 6.3375
    # 3 kg:                                       3 × 6.3375 =  19.0125
    # 0.08 deaths avoided:                        0.08 × 150 =  12.00
    # frames: (1.2 − 4 × 0.08) × 12 =             0.88 × 12  =  10.56
    # material at 8 % for 5 winters (A/P 0.25046): 40 × 0.25046 = −10.0183
    # work:                                        0.5 h × 20 = −10.00
    values = values_as_given(exact_inputs())
    net = net_benefit("full", gains(3.0, 0.08, 1.2), values)
    assert net.shape == (1,)
    assert round(float(net[0]), 2) == 21.55
    money = [float(part_money("full", p, gains(3.0, 0.08, 1.2), values).item()) for p in PARTS]
    assert [round(m, 2) for m in money] == [19.01, 12.0, 10.56, -10.02, -10.0]
    assert sum(money) == pytest.approx(float(net[0]))


def test_a_colony_that_dies_saves_no_stores():
    alive = np.array([[[0.0, 1.0, 0.8, 1.0]], [[0.0, 1.0, 0.9, 0.0]]])
    eaten = np.array([[[20.0, 20.0, 20.0, 20.0]], [[5.0, 16.0, 16.0, 5.0]]])
    frames = np.array([[[7.0, 7.0, 7.0, 7.0]], [[8.0, 8.0, 8.0, 8.0]]])
    made = gains_of_units(alive, eaten, frames)[:, 0]
    np.testing.assert_allclose(made[0], [0.0, 4.0, 0.8 * 4.0, 0.0])  # dead at either: nothing
    np.testing.assert_allclose(made[1], [0.0, 0.0, 0.1, -1.0])
    np.testing.assert_allclose(made[2], [0.0, 1.0, 0.9 * 8 - 0.8 * 7, -7.0])


def test_a_rescued_colony_counts_once():
    """Without insulation it dies for sure, with it it lives for sure, with 7 frames."""
    made = gains_of_units(*(np.array(v).reshape(2, 1, 1) for v in ((0, 1), (20, 15), (6, 7))))
    rescued = Gains(*made[:, :, 0])
    values = values_as_given(exact_inputs(hours_full=0.0)) | {"insulation full": np.array(0.0)}
    # spared: the price of a colony, but that colony would have brought 4 of the 7 frames
    assert float(net_benefit("full", rescued, values)[0]) == 150.0 + (7 - 4) * 12.0
    # one that brings just as many frames leaves its price alone; no kilogram is counted
    alike = values | {"frames of a replacement colony": np.array(7.0)}
    assert float(net_benefit("full", rescued, alike)[0]) == 150.0


def test_expected_values_agree_with_a_direct_monte_carlo():
    """A loop over draws that knows nothing of arrays, discounting winter by winter."""
    settings = Settings()
    inputs = gather_inputs(price_rows(ranges=RANGES), settings)
    draws = normal_draws({"full": (3.0, 0.08, 1.2)}, n=500, sd=0.5)
    values = draw_inputs(inputs, 500 * PRICE_DRAWS, seed=3)
    own = gains_in(draws, "full", "all", "these winters").repeated(PRICE_DRAWS)
    made = net_benefit("full", own, values)
    rng = np.random.default_rng(11)

    def drawn(name: str) -> float:
        given = inputs.given[name]
        return float(
            rng.triangular(given.low, given.value, given.high) if given.has_range else given.value
        )

    direct = []
    for _ in range(8_000):
        k = rng.integers(500)
        saved, deaths, frames = (float(own.of(q)[k]) for q in QUANTITIES)
        share = drawn("share of saved stores that spares feed")
        kg = (1 - share) * drawn("stores per kg") + share * drawn("feed sugar per kg") * 0.8 / 0.9
        rate, winters = drawn("discount rate"), drawn("lifetime of insulation")
        annuity = 1.0 / winters if rate == 0 else rate / (1 - (1 + rate) ** -winters)
        direct.append(
            saved * kg
            + deaths * drawn("replacement colony")
            + (frames - drawn("frames of a replacement colony") * deaths)
            * drawn("spring frame of bees")
            - drawn("insulation full") * annuity
            - drawn("hours full") * drawn("work per hour")
        )
    error = np.hypot(np.std(direct) / np.sqrt(8_000), made.std() / np.sqrt(len(made)))
    assert made.mean() == pytest.approx(np.mean(direct), abs=4 * error)
    assert made.std() == pytest.approx(np.std(direct), rel=0.06)
    # inputs at their means give the mean: they enter as products of what is independent
    at_means = net_benefit("full", own.mean(), mean_values(inputs, values))
    assert float(at_means[0]) == pytest.approx(np.mean(direct), abs=4 * error)


def test_triangular_draws_keep_their_mode_and_mean():
    given = gather_inputs(price_rows(ranges=RANGES), Settings()).given["stores per kg"]
    draws = given.draws(40_000, np.random.default_rng(1))
    assert given.mean == pytest.approx((6 + 8 + 12) / 3)
    assert draws.mean() == pytest.approx(given.mean, abs=0.02)
    assert 6.0 <= draws.min() < draws.max() <= 12.0
    counts, edges = np.histogram(draws, bins=12)
    assert abs(edges[counts.argmax()] - 8.0) < 0.8


def test_material_that_never_pays_and_that_always_pays():
    draws = normal_draws(
        {"top": (-1.0, -0.02, -0.3), "partial": (30.0, 0.5, 9.0), "full": (2.0, 0.03, 0.3)},
        n=300,
        sd=0.1,
    )
    payoff = reckon(
        estimand_rows("top", "partial", "full"), draws, exact_inputs(), n_units=100, seed=1
    )
    never, always, some = (of(payoff, level) for level in ("top", "partial", "full"))
    assert (never["p_pays"], never["p_never"], never["break_even_q50"]) == (0.0, 1.0, None)
    assert (always["p_pays"], always["p_never"], always["break_even_q50"]) == (1.0, 0.0, 1.0)
    assert 0.0 < some["p_pays"] < 1.0
    assert some["p_never"] == pytest.approx(1.0 - some["p_pays"])
    curve = payoff.tables["payoff_horizon"]
    assert set(curve.filter(level="top")["p_paid_back"]) == {0.0}
    assert set(curve.filter(level="partial")["p_paid_back"]) == {1.0}
    rising = curve.filter(level="full")["p_paid_back"].to_list()
    assert rising == sorted(rising)
    assert rising[-1] == pytest.approx(some["p_pays"])
    assert len(rising) == 5  # the lifetime: worn out, it can't pay any more


def test_breaking_even_is_where_discounted_savings_meet_the_cost():
    draws = normal_draws({"full": (3.0, 0.08, 1.2)}, n=50, sd=0.0)
    inputs = exact_inputs()
    row = of(reckon(estimand_rows("full"), draws, inputs, n_units=9, seed=1), "full")
    yearly = row["mean"] + 40.0 * float(capital_recovery(0.08, 5.0))
    paid = [float(yearly * present_worth(0.08, n)) >= 40.0 for n in range(1, 6)]
    assert row["break_even_q50"] == paid.index(True) + 1 == 2


def test_a_missing_price_is_named_and_the_rest_still_comes():
    amounts = {k: v for k, v in AMOUNTS.items() if k not in ("insulation top", "feed sugar per kg")}
    inputs = gather_inputs(price_rows(amounts), exact_settings(feed_share=0.0))
    draws = normal_draws({"top": (1.0, 0.02, 0.3), "full": (3.0, 0.08, 1.2)}, n=40, sd=0.1)
    payoff = reckon(estimand_rows("top", "full"), draws, inputs, n_units=9, seed=1)
    assert of(payoff, "full")["status"] == "estimated"  # no share of sugar: its price isn't needed
    top = of(payoff, "top")
    assert (top["status"], top["mean"]) == ("price missing", None)
    assert "“insulation top”" in top["reason"]
    assert "prices.csv" in top["reason"]
    assert payoff.missing == ["insulation top"]
    parts = payoff.tables["payoff_parts"].filter(level="top")
    came = parts.filter(pl.col("mean").is_not_null())["part"].to_list()
    assert came == ["stores saved", "deaths avoided", "spring frames", "work"]
    assert payoff.tables["payoff_one_way"]["level"].unique().to_list() == ["full"]


def test_a_closed_top_costs_what_full_does_unless_it_has_a_price_of_its_own():
    means = {"full": (3.0, 0.08, 1.2), "full closed": (3.0, 0.08, 1.2)}
    draws = normal_draws(means, n=40, sd=0.0)
    rows = estimand_rows("full", "full closed")
    borrowed = gather_inputs(price_rows(AMOUNTS, RANGES), exact_settings())
    payoff = reckon(rows, draws, borrowed, n_units=9, seed=1)
    full, closed = of(payoff, "full"), of(payoff, "full closed")
    assert closed == full | {"level": "full closed"}  # the very same draws of one price
    assert "“insulation full closed” was given" in say_borrowed(borrowed)
    # 12 dearer: by hand 12 × 0.25046 a winter at 8 % for 5 winters
    own = gather_inputs(price_rows(AMOUNTS | {"insulation full closed": 52.0}), exact_settings())
    assert say_borrowed(own) == ""
    payoff = reckon(rows, draws, own, n_units=9, seed=1)
    full, closed = of(payoff, "full"), of(payoff, "full closed")
    assert full["mean"] - closed["mean"] == pytest.approx(12 * 0.25046, abs=1e-3)
    assert closed["break_even_q50"] >= full["break_even_q50"] > 0
    moved = payoff.tables["payoff_one_way"].filter(level="full closed")
    assert "insulation full closed" in moved["input"].to_list()
    assert set(payoff.tables["payoff_horizon"]["level"]) == {"full", "full closed"}
    assert "insulation full closed" in payoff.tables["payoff_inputs"]["input"].to_list()
    # a choice needs one base for all: full closed has another
    assert set(payoff.tables["payoff_knowledge"]["best"]) == {"full"}


def test_a_price_missing_for_full_is_missing_for_a_closed_top_too():
    amounts = {item: cost for item, cost in AMOUNTS.items() if item != "insulation full"}
    inputs = gather_inputs(price_rows(amounts), exact_settings())
    draws = normal_draws({"full closed": (3.0, 0.08, 1.2)}, n=20, sd=0.1)
    payoff = reckon(estimand_rows("full closed"), draws, inputs, n_units=9, seed=1)
    assert of(payoff, "full closed")["status"] == "price missing"
    assert payoff.missing == ["insulation full"]
    assert say_borrowed(inputs) == ""


def test_work_without_hours_needs_no_wage():
    inputs = exact_inputs(hours_top=0.0)
    assert WAGE not in inputs.needed("top")
    assert WAGE in inputs.needed("full")


def test_a_price_of_nothing_leaves_its_outcome_out():
    rows = estimand_rows("full").with_columns(
        status=pl.when(pl.col("outcome") == "spring strength")
        .then(pl.lit("cannot be estimated"))
        .otherwise("status"),
        reason=pl.when(pl.col("outcome") == "spring strength")
        .then(pl.lit("nobody counted frames"))
        .otherwise("reason"),
    )
    draws = normal_draws({"full": (3.0, 0.08, 1.2)}, n=40, sd=0.0)
    draws = draws.with_columns(pl.lit(float("nan")).alias("spring frames"))
    refused = of(reckon(rows, draws, exact_inputs(), n_units=9, seed=1), "full")
    assert refused["status"] == "cannot be estimated"
    assert refused["reason"] == "spring strength: nobody counted frames"
    free = gather_inputs(price_rows(AMOUNTS | {"spring frame of bees": 0.0}), exact_settings())
    told = of(reckon(rows, draws, free, n_units=9, seed=1), "full")
    assert round(told["mean"], 2) == 10.99  # the hand-worked 21.55 less 10.56


@pytest.mark.parametrize("status", ["not converged", "cannot be estimated"])
def test_what_has_no_estimate_has_no_money_but_a_reason(status):
    rows = estimand_rows(*CHOICES, status=status, reason="because.")
    payoff = reckon(rows, pl.DataFrame(schema=SCHEMA), exact_inputs(), n_units=9, seed=1)
    table = payoff.tables["payoff"].filter(subgroup="all")
    assert table["mean"].null_count() == table.height == 8
    assert set(table["status"]) == {status}
    assert set(table["reason"]) == {"survival: because."}
    for name in ("payoff_horizon", "payoff_one_way", "payoff_map", "payoff_knowledge"):
        assert payoff.tables[name].is_empty(), name
    parts = payoff.tables["payoff_parts"].drop_nulls("mean")["part"].unique().sort().to_list()
    assert parts == ["material", "work"]


def test_the_newest_winter_of_each_item_counts():
    old, new = price_rows(winter=2022), price_rows({"stores per kg": 9.0}, winter=2023)
    kept = latest_prices(pl.concat([new, old]))
    assert kept.height == len(AMOUNTS)
    assert kept.filter(item="stores per kg")["amount"].item() == 9.0
    given = gather_inputs(pl.concat([old, new]), Settings()).given
    assert given["stores per kg"].source == "price of the study, 2023/24"
    assert given["work per hour"].source == "price of the study, 2022/23"


def test_own_prices_take_the_place_of_the_studys():
    own = price_rows({"stores per kg": 3.0}, winter=2020)
    given = gather_inputs(price_rows(), Settings(), own).given
    assert (given["stores per kg"].value, given["stores per kg"].source) == (
        3.0,
        "own price, 2020/21",
    )
    assert given["insulation full"].value == 40.0


def test_currencies_are_never_mixed():
    mixed = pl.concat(
        [price_rows(), price_rows({"stores per kg": 5.0}, winter=2025, currency="EUR")]
    )
    with pytest.raises(StudyError) as caught:
        gather_inputs(mixed, Settings())
    assert "EUR for stores per kg" in caught.value.problem
    assert "XTS for" in caught.value.problem
    settings = Settings()
    settings = dataclasses.replace(
        settings, study=dataclasses.replace(settings.study, currency="EUR")
    )
    with pytest.raises(StudyError) as caught:
        gather_inputs(price_rows(), settings)
    assert "study.toml says currency = 'EUR'" in caught.value.problem


def test_no_prices_at_all_says_what_to_send():
    with pytest.raises(StudyError) as caught:
        gather_inputs(price_rows({}), Settings())
    assert "No prices have been given" in caught.value.problem
    assert "prices.csv" in caught.value.mend


def test_missing_prices_are_said_in_words():
    assert say_missing([]) == ""
    assert say_missing(["a"]).startswith("The price is missing: “a”. Give it in prices.csv")
    assert say_missing(["a", "b"]).startswith("The prices are missing: “a”, “b”. Give them")
