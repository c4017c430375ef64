"""Precision of trials against textbooks: without groups it is a two-sample comparison.

Sources: two means and two proportions with unpooled variances, n = (z_a + z_b)² (v1 + v2) / d²
per arm: Chow, Shao & Wang, Sample Size Calculations in Clinical Research (2008), ch. 3 and 4,
from memory; ``statsmodels.stats.power`` as a second implementation. Generalised least squares:
Aitken (1935), by explicit matrices here.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import NormalIndPower

from models.trial.expectations import FIT, Expected
from models.trial.precision import GENERAL, OWN, TARGETS, Trial, analyse, least_colonies
from models.trial.precision import trial_variance as variance_of
from models.vocabulary import STORES, SURVIVAL

ALPHA = 0.11  # two-sided, of an 89 % interval


def plain(outcome: str, gain: float, none_sd: float, full_sd: float, **more: float) -> Expected:
    """One known truth: no groups and no prior unless given."""
    given = {"apiary_sd": 0.0, "winter_sd": 0.0, "prior_sd": 1e6} | more
    arrays = {name: np.array([value]) for name, value in given.items()}
    return Expected(
        outcome, np.array([gain]), none_sd=np.array([none_sd]), full_sd=np.array([full_sd]),
        source=FIT, **arrays,
    )  # fmt: skip


def decisive(expected: Expected, trial: Trial, target: str = OWN) -> float:
    made = analyse(expected, trial, target)
    return float((made.p_benefit + made.p_harm)[0])


@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize(("gain", "trial"), [(1.0, Trial(8, 5, 1)), (0.4, Trial(16, 10, 2))])
def test_two_means_have_the_power_that_statsmodels_says(
    gain: float, trial: Trial, target: str
) -> None:
    own = plain(STORES, gain, 3.0, 3.0)
    per_arm = trial.colony_winters / 2
    power = NormalIndPower().power(gain / 3.0, per_arm, ALPHA, ratio=1.0)
    assert decisive(own, trial, target) == pytest.approx(power, abs=1e-6)


def test_two_means_need_as_many_colonies_as_the_textbook_says() -> None:
    """Power of 80 %: the normal formula, and statsmodels' own search."""
    gain, sd = 1.0, 3.0
    z = stats.norm.ppf(1 - ALPHA / 2) + stats.norm.ppf(0.8)
    formula = z**2 * 2 * sd**2 / gain**2
    searched = NormalIndPower().solve_power(gain / sd, alpha=ALPHA, power=0.8, ratio=1.0)
    assert formula == pytest.approx(searched, rel=1e-3)  # the formula leaves out the wrong side
    needed = next(
        n for n in range(2, 400, 2) if decisive(plain(STORES, gain, sd, sd), Trial(n, 1, 1)) >= 0.8
    )
    assert needed / 2 == np.ceil(formula)


def test_two_means_reach_a_width_with_as_many_colonies_as_the_textbook_says() -> None:
    """n per arm = 2 (2 z sd / w)², from the interval's width w = 2 z sd sqrt(2 / n)."""
    z, sd, width = stats.norm.ppf(1 - ALPHA / 2), 3.0, 1.5
    per_arm = 2 * (2 * z * sd / width) ** 2
    found = least_colonies(plain(STORES, 0.0, sd, sd), 1, 1, OWN, width)
    assert found is not None
    assert 2 * per_arm <= found <= 2 * per_arm + 2


def test_two_proportions_need_as_many_colonies_as_the_textbook_says() -> None:
    """Chow, Shao & Wang ch. 4 with p1 0.65, p2 0.85: at 5 % and 80 % power n is 70 an arm."""
    p1, p2 = 0.65, 0.85
    spread = p1 * (1 - p1) + p2 * (1 - p2)

    def per_arm(alpha: float) -> float:
        z = stats.norm.ppf(1 - alpha / 2) + stats.norm.ppf(0.8)
        return float(z**2 * spread / (p2 - p1) ** 2)

    assert np.ceil(per_arm(0.05)) == 70
    sds = [100 * np.sqrt(p * (1 - p)) for p in (p1, p2)]
    own = plain(SURVIVAL, 100 * (p2 - p1), *sds)
    needed = next(n for n in range(2, 400, 2) if decisive(own, Trial(n, 1, 1)) >= 0.8)
    assert needed / 2 == np.ceil(per_arm(ALPHA))


def test_two_proportions_are_decisive_as_often_as_in_drawn_samples() -> None:
    """Unpooled (Wald) intervals of binomial counts, 20 000 trials."""
    p1, p2, per_arm = 0.72, 0.82, 160
    rng = np.random.default_rng(8)
    a, b = (rng.binomial(per_arm, p, 20_000) / per_arm for p in (p1, p2))
    half = stats.norm.ppf(1 - ALPHA / 2) * np.sqrt((a * (1 - a) + b * (1 - b)) / per_arm)
    drawn = np.mean(np.abs(b - a) > half)
    sds = [100 * np.sqrt(p * (1 - p)) for p in (p1, p2)]
    said = decisive(plain(SURVIVAL, 100 * (p2 - p1), *sds), Trial(32, 10, 1))
    assert said == pytest.approx(drawn, abs=0.015)


def generalised_least_squares(trial: Trial, own: Expected) -> float:
    """Variance of the level's coefficient by matrices; one row per colony."""
    rows = [
        (a, w, c < trial.colonies // 2)
        for a in range(trial.apiaries)
        for w in range(trial.winters)
        for c in range(trial.colonies)
    ]
    apiary, winter, full = (np.array(column) for column in zip(*rows, strict=True))
    cell = apiary * trial.winters + winter
    design = np.column_stack([np.eye(cell.max() + 1)[cell], full.astype(float)])
    both = np.outer(full, full).astype(float)
    cover = np.diag(np.where(full, own.full_sd[0] ** 2, own.none_sd[0] ** 2))
    cover += both * (apiary[:, None] == apiary) * own.apiary_sd[0] ** 2
    cover += both * (winter[:, None] == winter) * own.winter_sd[0] ** 2
    return float(np.linalg.inv(design.T @ np.linalg.solve(cover, design))[-1, -1])


def test_with_groups_the_variance_is_that_of_generalised_least_squares() -> None:
    own = plain(STORES, 1.0, 3.0, 2.5, apiary_sd=0.8, winter_sd=0.5)
    for trial in (Trial(4, 3, 2), Trial(6, 5, 1), Trial(2, 4, 3)):
        summed = variance_of(own, trial) + 0.8**2 / trial.apiaries + 0.5**2 / trial.winters
        assert summed[0] == pytest.approx(generalised_least_squares(trial, own), rel=1e-9)
        width = analyse(own, trial, GENERAL).width[0]
        z = stats.norm.ppf(1 - ALPHA / 2)
        assert width == pytest.approx(2 * z * np.sqrt(summed[0]), rel=1e-6)


def test_with_groups_trials_drawn_colony_by_colony_are_decisive_as_often() -> None:
    """4 000 trials of 6 colonies in 5 apiaries over 2 winters, each analysed by its means."""
    rng, n, trial = np.random.default_rng(3), 4000, Trial(6, 5, 2)
    own = plain(STORES, 1.2, 3.0, 2.0, apiary_sd=0.8, winter_sd=0.5, prior_sd=1.5)
    place = rng.normal(0, 2, (n, 5, 2, 1))
    none = place + rng.normal(0, 3.0, (n, 5, 2, 3))
    by_apiary, by_winter = rng.normal(0, 0.8, (n, 5, 1)), rng.normal(0, 0.5, (n, 1, 2))
    gain = 1.2 + by_apiary + by_winter
    full = place + gain[..., None] + rng.normal(0, 2.0, (n, 5, 2, 3))
    estimate = (full.mean(axis=3) - none.mean(axis=3)).mean(axis=(1, 2))
    variance = (9 + 4) / 30 + 0.64 / 5 + 0.25 / 2
    after = 1 / (1 / variance + 1 / 1.5**2)  # a normal prior of mean zero
    mean = estimate * after / variance
    is_decisive = np.abs(mean) > stats.norm.ppf(1 - ALPHA / 2) * np.sqrt(after)
    assert decisive(own, trial, GENERAL) == pytest.approx(is_decisive.mean(), abs=0.025)
