"""Checks of a fit on records whose truth is known: sound fits pass, planted faults do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import integrate, stats
from scipy.special import xlogy

from models.checks import prediction
from models.checks.base import FAILED, INFORMATIONAL, NOT_RUN, PASSED
from models.checks.headline import Headline
from models.checks.hidden_confounder import check_hidden_confounder
from models.checks.influence import NEEDS_REFIT, check_influence, reweighted
from models.checks.left_out_record import (
    check_left_out_record,
    fifths,
    left_out_weights,
    uniformity_p_value,
)
from models.checks.power_scaling import (
    THRESHOLD,
    check_power_scaling,
    diagnose,
    log_prior,
    sensitivity,
)
from models.checks.prediction import check_prediction, least_inside
from models.vocabulary import STORES, STRENGTH, SURVIVAL
from tests.known_fit import known_fit


def with_values(evidence, outcome, change):
    """The same fit, but one outcome's records changed after the fact."""
    pool = evidence.pool
    seen = pool.observed[outcome]
    level = pool.level[seen.rows]
    value = change(seen.value.copy(), level)
    observed = {**pool.observed, outcome: replace(seen, value=value)}
    return replace(evidence, pool=replace(pool, observed=observed))


def test_a_true_model_passes_predictions_and_left_out_records_in_most_seeds():
    statuses = [
        (check_prediction(e).status, check_left_out_record(e).status)
        for e in (known_fit(seed, n_draws=60) for seed in range(5))
    ]
    assert sum(p == PASSED for p, _ in statuses) >= 4
    assert sum(left == PASSED for _, left in statuses) >= 4


def test_a_level_that_the_model_gets_wrong_fails_for_its_outcome_alone():
    def heavier(value, level):
        return np.where(level == level.max(), 1.5 * value, value)

    made = check_prediction(with_values(known_fit(1, n_draws=100), STORES, heavier))
    assert (made.status, made.failed_for) == (FAILED, (STORES,))
    row = made.table.filter((pl.col("outcome") == STORES) & (pl.col("group") == "full"))
    assert row["p_value"][0] < 0.02
    assert not row["is_inside"][0]


def test_members_far_from_what_is_predicted_of_them_fail():
    evidence = known_fit(2, n_draws=100)
    pool, seen = evidence.pool, evidence.pool.observed[STRENGTH]
    factor = np.where(pool.member[seen.rows] % 2 == 0, 1.5, 1 / 1.5)
    made = check_prediction(with_values(evidence, STRENGTH, lambda v, _: v * factor))
    assert STRENGTH in made.failed_for


def test_least_inside_is_the_binomials():
    # 5 % outside each: with 30 members, 5 outside still happen by chance once in a hundred
    assert stats.binom.cdf(least_inside(30) - 1, 30, 0.95) < prediction.LEVEL_OF_TEST
    assert least_inside(30) == 25


def test_too_narrow_and_too_wide_predictions_fail_single_records():
    evidence = known_fit(3, n_draws=100)
    for factor in (0.4, 2.5):
        posterior = evidence.posterior.assign(stores_cv=factor * evidence.posterior["stores_cv"])
        made = check_left_out_record(replace(evidence, posterior=posterior))
        assert STORES in made.failed_for
        assert SURVIVAL not in made.failed_for


def test_survival_that_does_not_follow_its_chances_fails():
    def upside_down(value, _):
        return 1.0 - value

    made = check_left_out_record(with_values(known_fit(4, n_draws=100), SURVIVAL, upside_down))
    assert SURVIVAL in made.failed_for


def test_fifths_say_what_was_expected():
    chance = np.repeat([0.1, 0.9], 100)
    alive = np.r_[np.ones(10), np.zeros(90), np.ones(90), np.zeros(10)]
    rows = fifths(chance, alive)
    assert [row[1] for row in rows] == [40] * 5
    assert rows[0][3] == pytest.approx(0.1)
    assert sum(row[1] * row[2] for row in rows) == pytest.approx(100.0)


def test_uniformity_test_holds_its_level_and_sees_a_hump():
    rng = np.random.default_rng(0)
    p = [uniformity_p_value(rng.random(200)) for _ in range(200)]
    assert np.mean(np.array(p) < 0.05) < 0.10
    assert uniformity_p_value(rng.beta(2.0, 2.0, 200)) < 0.01


class TestNormalModel:
    """Groups of known size with mean theta: every posterior is known exactly (conjugate normal)."""

    y = np.array([0.3, -0.2, 0.1, 0.5, 0.0, 2.5])  # the last one is planted
    noise, prior_sd = 1.0, 2.0

    def posterior(self, y):
        precision = 1 / self.prior_sd**2 + len(y) / self.noise**2
        return y.sum() / self.noise**2 / precision, precision**-0.5

    def test_leaving_the_planted_group_out_gives_the_exact_posterior_without_it(self):
        mean, sd = self.posterior(self.y)
        draws = np.random.default_rng(1).normal(mean, sd, 4000)
        flat = np.zeros((len(draws), len(self.y)))
        headline = Headline(
            "full vs none",
            {STRENGTH: flat},
            {STRENGTH: flat + draws[:, None]},
            np.ones(len(self.y), dtype=int),
        )
        shifts = []
        for out in range(len(self.y)):
            log_density = stats.norm.logpdf(self.y[out], draws, self.noise)
            weights, k = left_out_weights(log_density)
            kept = np.arange(len(self.y)) != out
            without, shift = reweighted(headline, STRENGTH, kept, weights, slice(None))
            assert k < 0.7
            exact, _ = self.posterior(self.y[kept])
            assert without == pytest.approx(exact, abs=0.04)
            shifts.append(abs(shift))
        assert int(np.argmax(shifts)) == 5
        assert shifts[5] == pytest.approx(abs(exact - mean) / sd, abs=0.1)

    @pytest.mark.parametrize("prior_sd", [0.3, 2.0, 10.0])
    def test_power_scaling_agrees_with_the_scaled_posteriors_themselves(self, prior_sd):
        y = self.y[:5]
        rng = np.random.default_rng(2)

        def law(power):
            precision = power / prior_sd**2 + len(y)
            return stats.norm(y.sum() / precision, precision**-0.5)

        draws = law(1.0).rvs(40_000, random_state=rng)

        def distance(power):
            """Cumulative Jensen-Shannon distance to the unscaled posterior, by quadrature."""
            grid = np.linspace(draws.min(), draws.max(), 20_001)
            total = []
            for name in ("cdf", "sf"):
                p, q = (getattr(law(own), name)(grid) for own in (1.0, power))
                middle = np.maximum((p + q) / 2, 1e-300)
                terms = xlogy(p, p / middle) + xlogy(q, q / middle)
                up = integrate.trapezoid(terms, grid) / np.log(2)
                total.append(np.sqrt(max(up, 0.0) / integrate.trapezoid(p + q, grid)))
            return max(total)

        exact = (distance(1.01) / np.log2(1.01) - distance(0.99) / np.log2(0.99)) / 2
        ours = sensitivity(draws, stats.norm.logpdf(draws, 0.0, prior_sd))
        assert ours == pytest.approx(exact, rel=0.1, abs=0.005)
        assert (ours > THRESHOLD) == (prior_sd < 1.0)


def test_diagnoses_are_the_papers():
    assert diagnose(0.01, 0.4) == "the prior hardly matters"
    assert diagnose(0.2, 0.01) == "strong prior or weak records"
    assert diagnose(0.2, 0.4) == "prior and records pull apart"


def test_log_prior_of_coefficients_is_hand_worked():
    evidence = known_fit(5, n_draws=2)
    layout_terms = evidence.draws.effects
    made = log_prior(evidence, evidence.draws)
    assert set(made) == {
        "levels and opening",
        "shares of levels",
        "covariates",
        "groups and winters",
        "residual spreads and windows",
        "mites",
    }
    residual = (
        stats.norm.logpdf(1.0, 1.0, 0.25)  # window's exponent
        + stats.halfnorm.logpdf(0.2, scale=0.25)  # stores' cv
        + stats.halfnorm.logpdf(0.3, scale=0.5)  # spread of log frames
    )
    assert made["residual spreads and windows"][0] == pytest.approx(residual)
    assert np.isfinite(layout_terms).all()


def test_every_check_of_a_sound_fit_answers_and_names_nobody():
    evidence = known_fit(7, n_draws=400, noise=0.2)
    made = [check_influence(evidence), check_power_scaling(evidence)]
    made.append(check_hidden_confounder(evidence))
    assert made[0].status in (PASSED, INFORMATIONAL, FAILED)
    assert made[2].status == INFORMATIONAL
    names = {*evidence.pool.members, *evidence.pool.apiaries}
    for check in made:
        assert check.table.height
        text = check.sentence + check.table.write_csv()
        assert not any(name in text for name in names)
    table = made[0].table
    unsure = table.filter(pl.col("note") == NEEDS_REFIT)
    assert unsure["shift_sd"].null_count() == unsure.height
    assert made[2].table["e_value"].min() >= 1.0


def test_without_a_posterior_nothing_is_judged():
    evidence = replace(known_fit(8, n_draws=2), posterior=None)
    for check in (
        check_prediction,
        check_left_out_record,
        check_power_scaling,
        check_influence,
        check_hidden_confounder,
    ):
        made = check(evidence)
        assert (made.status, made.failed_for) == (NOT_RUN, ())
        assert "no posterior" in made.reason
