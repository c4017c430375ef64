"""What must hold of the payoff whatever the prices and effects."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from models.payoff.inputs import gather_inputs
from models.payoff.money import capital_recovery, present_worth, winters_to_break_even
from models.payoff.net import net_benefit, saving, values_as_given
from models.payoff.quantities import Gains, gains_of_units
from models.payoff.results import break_even
from models.payoff.worth_knowing import value_of_perfect, value_of_winter
from tests.payoff_inputs import AMOUNTS, exact_settings, price_rows

amounts = st.floats(0.0, 500.0)
rates = st.floats(0.0, 0.5)
lives = st.floats(1.0, 40.0)
shares = st.floats(0.0, 1.0)
effects = st.tuples(st.floats(-10.0, 10.0), st.floats(-1.0, 1.0), st.floats(-10.0, 10.0))
prices = st.fixed_dictionaries(dict.fromkeys(AMOUNTS, amounts))
money = st.lists(st.floats(-50.0, 50.0), min_size=2, max_size=40)


def _values(own: dict[str, float], rate: float, life: float, share: float) -> dict[str, np.ndarray]:
    chosen = exact_settings(discount_rate=rate, lifetime_winters=life, feed_share=share)
    return values_as_given(gather_inputs(price_rows(own), chosen))


def _gains(effect: tuple[float, float, float]) -> Gains:
    return Gains(*(np.array([e]) for e in effect))


@settings(max_examples=60, deadline=None)
@given(prices, rates, lives, shares, effects, st.floats(0.0, 100.0))
def test_dearer_never_does_better_where_it_is_paid(own, rate, life, share, effect, dearer):
    gains = _gains(effect)
    before = net_benefit("full", gains, _values(own, rate, life, share))[0]
    for item in ("insulation full", "work per hour"):
        changed = own | {item: own[item] + dearer}
        assert net_benefit("full", gains, _values(changed, rate, life, share))[0] <= before + 1e-9


@settings(max_examples=60, deadline=None)
@given(prices, rates, lives, shares, effects, st.floats(0.0, 100.0))
def test_dearer_stores_help_only_who_saves_them(own, rate, life, share, effect, dearer):
    gains = _gains(effect)
    changed = own | {k: own[k] + dearer for k in ("stores per kg", "feed sugar per kg")}
    gained = (
        net_benefit("full", gains, _values(changed, rate, life, share))[0]
        - net_benefit("full", gains, _values(own, rate, life, share))[0]
    )
    assert gained * np.sign(effect[0]) >= -1e-9


@settings(max_examples=60, deadline=None)
@given(prices, rates, lives, effects, st.floats(0.0, 20.0), st.floats(0.0, 0.3))
def test_what_lasts_longer_and_borrows_cheaper_never_does_worse(
    own, rate, life, effect, longer, dearer
):
    gains, plain = _gains(effect), _values(own, rate, life, 0.5)
    before = net_benefit("full", gains, plain)[0]
    assert net_benefit("full", gains, _values(own, rate, life + longer, 0.5))[0] >= before - 1e-9
    cheaper = max(0.0, rate - dearer)
    assert net_benefit("full", gains, _values(own, cheaper, life, 0.5))[0] >= before - 1e-9


@settings(max_examples=80, deadline=None)
@given(rates, lives, st.floats(0.0, 30.0))
def test_an_annuity_lies_between_its_ends(rate, life, longer):
    assert 1.0 / life - 1e-12 <= capital_recovery(rate, life) <= 1.0 / life + rate + 1e-12
    assert present_worth(rate, life) <= present_worth(rate, life + longer) + 1e-12


@settings(max_examples=80, deadline=None)
@given(amounts, st.floats(-100.0, 100.0), rates)
def test_savings_until_break_even_just_pay_the_cost(cost, yearly, rate):
    winters = float(winters_to_break_even(cost, yearly, rate))
    assert winters >= 0.0
    if np.isfinite(winters) and winters < 1e6:
        paid = yearly * float(present_worth(rate, winters))
        assert np.isclose(paid, cost, rtol=1e-6, atol=1e-6)
    elif np.isinf(winters):
        assert yearly <= 0 or yearly * float(present_worth(rate, 1e9)) <= cost * (1 + 1e-9)


@settings(max_examples=60, deadline=None)
@given(prices, rates, lives, shares, effects)
def test_what_pays_breaks_even_within_its_life(own, rate, life, share, effect):
    gains, values = _gains(effect), _values(own, rate, life, share)
    net = float(net_benefit("full", gains, values)[0])
    if abs(net) > 1e-6 and abs(float(saving("full", gains, values)[0])) > 1e-6:
        assert np.isfinite(break_even("full", gains, values)[0]) == (net > 0)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(shares, min_size=2, max_size=2), st.lists(st.floats(0.1, 40.0), min_size=4, max_size=4)
)
def test_nobody_saves_more_than_the_living_eat(alive, rest):
    column = lambda pair: np.array(pair).reshape(2, 1, 1)  # noqa: E731
    saved, deaths, frames = gains_of_units(column(alive), column(rest[:2]), column(rest[2:]))[
        :, 0, 0
    ]
    assert abs(saved) <= min(alive) * abs(rest[0] - rest[1]) + 1e-12
    assert -1.0 <= deaths <= 1.0
    assert -rest[2] <= frames <= rest[3]


@settings(max_examples=60, deadline=None)
@given(money, money, st.integers(1, 500), st.integers(1, 500))
def test_knowing_is_never_worth_less_than_nothing(first, second, seen, more):
    n = min(len(first), len(second))
    nets = np.column_stack([first[:n], second[:n]])
    perfect = value_of_perfect(nets)
    assert perfect >= 0.0
    assert 0.0 <= value_of_winter(nets, seen, more) <= perfect + 1e-6
