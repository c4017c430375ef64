"""Annuities against printed tables of engineering economy."""

from __future__ import annotations

import numpy as np
import pytest

from models.payoff.money import capital_recovery, present_worth, winters_to_break_even

# "Annual capital recovery factors", engineersedge.com, capital_recovery_factors_15667 (read
# November 2026), five decimals
PRINTED = {
    0.035: (0.52640, 0.27225, 0.18767, 0.14548, 0.12024, 0.10348, 0.09157, 0.08268, 0.07582),
    0.08: (0.56077, 0.30192, 0.21632, 0.17401, 0.14903, 0.13270, 0.12130, 0.11298, 0.10670),
    0.10: (0.57619, 0.31547, 0.22961, 0.18744, 0.16275, 0.14676, 0.13575, 0.12782, 0.12193),
}
YEARS = np.arange(2, 19, 2)
# Blank and Tarquin, Engineering Economy, compound interest factors at 5 % and 8 %: A/P to five
# decimals and P/A to four, from memory
A_OF_P = {(0.05, 5): 0.23097, (0.05, 10): 0.12950, (0.05, 20): 0.08024, (0.08, 5): 0.25046}
P_OF_A = {(0.05, 5): 4.3295, (0.05, 10): 7.7217, (0.05, 20): 12.4622, (0.08, 10): 6.7101}


@pytest.mark.parametrize("rate", PRINTED)
def test_capital_recovery_agrees_with_a_printed_table(rate):
    np.testing.assert_allclose(capital_recovery(rate, YEARS), PRINTED[rate], atol=1.1e-5, rtol=0)


@pytest.mark.parametrize(("at", "factor"), A_OF_P.items())
def test_capital_recovery_agrees_with_a_textbook(at, factor):
    assert float(capital_recovery(*at)) == pytest.approx(factor, abs=6e-6)


@pytest.mark.parametrize(("at", "factor"), P_OF_A.items())
def test_present_worth_agrees_with_a_textbook(at, factor):
    assert float(present_worth(*at)) == pytest.approx(factor, abs=6e-5)


@pytest.mark.parametrize(("at", "factor"), P_OF_A.items())
def test_a_cost_of_the_present_worth_is_paid_back_in_just_those_winters(at, factor):
    rate, winters = at
    assert float(winters_to_break_even(factor, 1.0, rate)) == pytest.approx(winters, abs=2e-3)


def test_discounting_winter_by_winter_gives_the_same():
    for rate in (0.0, 0.03, 0.08):
        yearly = sum(1.0 / (1.0 + rate) ** t for t in range(1, 8))
        assert float(present_worth(rate, 7)) == pytest.approx(yearly, rel=1e-12)


@pytest.mark.parametrize(
    ("cost", "saving", "rate", "winters"),
    [
        (30.0, 0.0, 0.05, np.inf),  # nothing saved
        (30.0, -1.0, 0.0, np.inf),  # work costs more than it brings
        (30.0, 1.5, 0.05, np.inf),  # interest takes the whole saving
        (30.0, 1.4, 0.05, np.inf),
        (0.0, 2.0, 0.05, 0.0),  # nothing spent
        (0.0, 0.0, 0.05, np.inf),  # nothing spent and nothing saved never pays
        (30.0, 31.5, 0.05, 1.0),  # 31.5 / 1.05 = 30
    ],
)
def test_edges_of_breaking_even(cost, saving, rate, winters):
    assert float(winters_to_break_even(cost, saving, rate)) == pytest.approx(winters)
