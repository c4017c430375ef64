"""What turns the answer and what knowing is worth: closed forms, nested Monte Carlo, edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.payoff.inputs import gather_inputs
from models.payoff.net import draw_inputs, net_benefit, values_as_given
from models.payoff.one_way import MAP_POINTS, one_way_table, payoff_map, worths_of_stores
from models.payoff.quantities import Gains, gains_in
from models.payoff.results import reckon
from models.payoff.worth_knowing import (
    COLONIES,
    best_mean,
    between_winters,
    means_after,
    value_of_perfect,
    value_of_winter,
)
from pipeline.settings import Settings
from tests.payoff_inputs import (
    AMOUNTS,
    estimand_rows,
    exact_inputs,
    exact_settings,
    normal_draws,
    price_rows,
)

DRAWS = normal_draws({"full": (2.0, 0.03, 0.4)}, n=400, sd=0.3)
GAINS = gains_in(DRAWS, "full", "all", "these winters")
RNG = np.random.default_rng(8)
COVARIANCE = np.array([[9.0, 4.0], [4.0, 16.0]])
MEANS = np.array([1.0, 1.5])
NETS = RNG.multivariate_normal(MEANS, COVARIANCE, 2000)
NETS = NETS - NETS.mean(axis=0) + MEANS


def test_at_the_turning_point_the_net_benefit_is_nothing():
    inputs = gather_inputs(price_rows(ranges={"stores per kg": (5.0, 11.0)}), Settings())
    table = one_way_table("full", GAINS, inputs)
    assert set(table["range"]) == {"given", "moved", "95 % interval"}
    turning = table.drop_nulls("turns_at")
    assert {"stores per kg", "insulation full", "lifetime of insulation", "stores saved"} <= set(
        turning["input"]
    )
    names = {"stores saved": 0, "deaths avoided": 1, "spring frames": 2}
    for row in turning.to_dicts():
        fields = [GAINS.saved_kg.mean(), GAINS.deaths_avoided.mean(), GAINS.frames.mean()]
        values = values_as_given(inputs)
        if row["input"] in names:
            if row["input"] == "deaths avoided":  # a colony saved has its replacement's frames
                more = row["turns_at"] - GAINS.deaths_avoided.mean()
                fields[2] += values["frames of a replacement colony"] * more
            fields[names[row["input"]]] = row["turns_at"]
        else:
            values[row["input"]] = np.array(row["turns_at"])
            life, rate = values["lifetime of insulation"], values["discount rate"]
            values["capital recovery"] = rate / (1.0 - (1.0 + rate) ** -life)
        net = net_benefit("full", Gains(*(np.array([f]) for f in fields)), values)
        assert float(net[0]) == pytest.approx(0.0, abs=1e-8), row["input"]
        inside = row["low"] <= row["turns_at"] <= row["high"]
        assert row["is_turn_in_range"] is inside


def test_the_input_that_moves_most_comes_first():
    table = one_way_table("full", GAINS, exact_inputs())
    swing = (table["net_high"] - table["net_low"]).abs().to_list()
    assert swing == sorted(swing, reverse=True)
    assert table["net"].n_unique() == 1


def test_an_input_that_cannot_turn_the_answer_has_no_turning_point():
    better = Gains(GAINS.saved_kg + 90.0, GAINS.deaths_avoided, GAINS.frames)
    table = one_way_table("full", better, exact_inputs())
    turns = dict(table.select("input", "turns_at").iter_rows())
    assert turns["discount rate"] is None  # not even at 100 %
    assert (
        turns["share of saved stores that spares feed"] is None
    )  # not even when all of it spares feed
    assert turns["insulation full"] > 1000


def test_the_map_agrees_with_the_net_benefit_at_its_points():
    inputs = exact_inputs(feed_share=0.0)
    values = draw_inputs(inputs, 400, seed=1)
    table = payoff_map("full", GAINS, inputs, values)
    assert table.height == MAP_POINTS**2
    at = table.filter(material=40.0, stores_worth=8.0).row(0, named=True)
    net = net_benefit("full", GAINS, values)
    assert at["mean"] == pytest.approx(net.mean())
    assert at["p_pays"] == pytest.approx((net > 0).mean())
    assert worths_of_stores(inputs) == {"honey": 8.0, "sugar spared": pytest.approx(0.9 * 1.5)}


def test_perfect_information_of_a_hand_worked_toss():
    # half the time full is worth 6 and top 1, half the time −4 and 2: now full is worth 1 and top
    # 1.5, so top; knowing, (6 + 2) / 2 = 4; 4 − 1.5 = 2.5
    nets = np.array([[1.0, 6.0], [2.0, -4.0]])
    assert best_mean(nets) == 1.5
    assert value_of_perfect(nets) == 2.5


def test_knowing_what_never_changes_the_choice_is_worth_nothing():
    assert value_of_perfect(np.array([[3.0, 1.0], [2.0, 1.5]])) == 0.0
    assert value_of_perfect(np.array([[-3.0], [-2.0]])) == 0.0
    assert value_of_winter(NETS + 100.0 * np.array([1.0, 0.0]), 100, 50) == 0.0


def test_perfect_information_of_one_normal_net_benefit():
    """The unit normal loss integral (Raiffa and Schlaifer 1961)."""
    mean, sd = 1.2, 3.0
    nets = stats.norm.ppf((np.arange(200_000) + 0.5) / 200_000, mean, sd)[:, None]
    loss = stats.norm.pdf(mean / sd) - mean / sd * stats.norm.sf(mean / sd)
    assert value_of_perfect(nets) == pytest.approx(sd * loss, rel=1e-3)


def test_one_more_winter_of_one_normal_net_benefit():
    """Normal data on a normal mean: the preposterior sd is sd · √(n / (n + N))."""
    mean, sd, seen, more = 1.2, 3.0, 300, 100
    nets = stats.norm.ppf((np.arange(200_000) + 0.5) / 200_000, mean, sd)[:, None]
    before = sd * np.sqrt(more / (more + seen))
    loss = stats.norm.pdf(mean / before) - mean / before * stats.norm.sf(mean / before)
    assert value_of_winter(nets, seen, more) == pytest.approx(before * loss, rel=1e-3)


@pytest.mark.parametrize("winters", [0.0, np.diag([2.0, 3.0])])
def test_one_more_winter_agrees_with_nested_monte_carlo(winters):
    """Invented winters, each weighed against every draw; no normal posterior is assumed."""
    seen, more, n_outer = 200, 150, 1500
    now = np.cov(NETS, rowvar=False)
    noise = now * seen / more + winters
    rng = np.random.default_rng(2)
    truth = NETS[rng.integers(len(NETS), size=n_outer)]
    data = truth + rng.multivariate_normal(np.zeros(2), noise, n_outer)
    precision = np.linalg.inv(noise)
    chosen = []
    for winter in data:
        away = NETS - winter
        log_weight = -0.5 * np.einsum("ij,jk,ik->i", away, precision, away)
        weight = np.exp(log_weight - log_weight.max())
        chosen.append(max(0.0, (weight @ NETS / weight.sum()).max()))
    direct = np.mean(chosen) - best_mean(NETS)
    error = np.std(chosen) / np.sqrt(n_outer)
    made = value_of_winter(NETS, seen, more, winters)
    assert 0.1 < made < value_of_perfect(NETS)
    assert made == pytest.approx(direct, abs=4 * error)
    assert error < 0.1 * made


def test_the_means_after_a_winter_keep_their_mean_and_have_the_covariance_stated():
    winters = np.diag([2.0, 3.0])
    after = means_after(NETS, 200, 150, winters)
    now = np.cov(NETS, rowvar=False)
    noise = now * 200 / 150 + winters
    np.testing.assert_allclose(after.mean(axis=0), MEANS, atol=1e-9)
    expected = now - np.linalg.inv(np.linalg.inv(now) + np.linalg.inv(noise))
    np.testing.assert_allclose(np.cov(after, rowvar=False), expected, rtol=1e-6)


def test_more_colonies_tell_more_and_no_more_than_everything():
    values = [value_of_winter(NETS, 200, n) for n in (*COLONIES, 10**7)]
    assert values == sorted(values)
    assert values[-1] == pytest.approx(value_of_perfect(NETS), rel=1e-2)
    winters = np.diag([9.0, 9.0])
    shared = [value_of_winter(NETS, 200, n, winters) for n in (*COLONIES, 10**7)]
    assert all(s <= v for s, v in zip(shared, values, strict=True))
    assert shared[-1] < 0.9 * value_of_perfect(NETS)  # colonies of one winter share its luck


def test_between_winters_is_what_a_new_winter_adds():
    added = RNG.multivariate_normal([0, 0], [[5.0, -1.0], [-1.0, 3.0]], len(NETS))
    found = between_winters(NETS, NETS + added)
    np.testing.assert_allclose(found, [[5.0, -1.0], [-1.0, 3.0]], atol=0.8)
    assert np.linalg.eigvalsh(between_winters(NETS, 0.5 * NETS)).min() >= -1e-9


def test_all_of_it_reaches_the_table():
    draws = normal_draws({"top": (1.0, 0.02, 0.2), "full": (2.0, 0.03, 0.4)}, n=400, sd=0.5)
    inputs = gather_inputs(price_rows(), Settings())
    rows = reckon(estimand_rows("top", "full"), draws, inputs, n_units=240, seed=1)
    table = rows.tables["payoff_knowledge"]
    perfect = table.filter(knowledge="perfect knowledge")["value"].to_list()
    assert perfect[0] >= perfect[1] > 0.0  # of effects and prices, of effects
    more = table.filter(knowledge="one more winter")
    assert more["colonies"].to_list() == list(COLONIES)
    assert more["value"].to_list() == sorted(more["value"].to_list())
    assert more["value"].max() <= perfect[1]


def test_one_new_winter_tells_no_time_to_break_even():
    draws = normal_draws({"full": (2.0, 0.03, 0.4)}, n=200, sd=0.3)
    table = reckon(estimand_rows("full"), draws, exact_inputs(), n_units=40, seed=1).tables
    rows = table["payoff"].filter(level="full", subgroup="all").drop_nulls("mean")
    assert set(rows["horizon"]) == {"these winters", "a new winter"}
    for row in rows.to_dicts():
        is_one_winter = row["horizon"] == "a new winter"
        assert (row["p_never"] is None) is is_one_winter
        assert (row["break_even_q50"] is None) is is_one_winter
        assert row["p_pays"] is not None


def test_a_colony_saved_is_worth_its_replacement_whatever_a_frame_is_worth():
    dear = gather_inputs(price_rows({**AMOUNTS, "spring frame of bees": 60.0}), exact_settings())
    [row] = one_way_table("full", GAINS, dear).filter(input="deaths avoided").to_dicts()
    slope = (row["net_high"] - row["net_low"]) / (row["high"] - row["low"])
    assert slope == pytest.approx(150.0)


def test_without_a_price_of_honey_the_share_of_feed_is_not_moved():
    some = {item: amount for item, amount in AMOUNTS.items() if item != "stores per kg"}
    inputs = gather_inputs(price_rows(some), exact_settings(feed_share=1.0))
    assert "share of saved stores that spares feed" not in set(
        one_way_table("full", GAINS, inputs)["input"]
    )
