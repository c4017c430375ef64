"""E-values against published worked examples."""

from __future__ import annotations

import pytest

from models.e_values import e_value, limit_e_value, risk_ratio_of_odds_ratio

# (risk ratio, lower, upper), E-value, E-value of the limit, tolerance = the source's precision
PUBLISHED = {
    # vignette of the EValue R package (read)
    "smoking and lung cancer": ((10.73, 8.02, 14.36), 20.94777, 15.52336, 1e-5),
    # inputs read in that package's reference page: VanderWeele & Ding 2017, Ann. Intern. Med.
    # 167:268-274, childhood leukaemia; its printed values are 1.8 and 1.4 (from memory)
    "breastfeeding and leukaemia": ((0.80, 0.71, 0.91), 1.809, 1.429, 5e-4),
    # the same article's infant deaths, from memory: printed as 7.26 and 3.0
    "formula feeding and infant death": ((3.9, 1.8, 8.7), 7.26, 3.0, 5e-3),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_worked_examples(name):
    numbers, value, of_limit, within = PUBLISHED[name]
    assert e_value(numbers[0]) == pytest.approx(value, abs=within)
    assert limit_e_value(*numbers) == pytest.approx(of_limit, abs=within)


def test_odds_ratio_of_a_common_outcome():
    # Inputs read in the reference page of the EValue R package; the square root is the rule of
    # VanderWeele & Ding 2017 for outcomes above 15 %.
    estimate, low, high = (risk_ratio_of_odds_ratio(x, is_common=True) for x in (0.86, 0.75, 0.99))
    assert estimate == pytest.approx(0.927, abs=5e-4)
    assert e_value(estimate) == pytest.approx(1.369, abs=5e-4)
    assert limit_e_value(estimate, low, high) == pytest.approx(1.076, abs=5e-4)
