"""Secondary outcomes without sampling: intervals, packing, identification, density, honesty."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pymc as pm
import pytest
import xarray as xr
from scipy import stats

from models import secondary
from models.assumptions import derive_adjustment, load_assumptions
from models.logged import BROOD, HELD, MOISTURE, SECONDARY, Logged, brood_intervals, pack_logged
from models.secondary import CONTRASTS, fit_secondary, why_not
from models.secondary_model import (
    BROOD_PRIORS,
    MOISTURE_PRIORS,
    build_secondary_model,
    contrast_draws,
)
from models.vocabulary import LEVELS
from pipeline.contracts import load_derived_contracts
from pipeline.progress import SILENT
from pipeline.settings import ModelSettings, Settings

MIDWINTER = date(2023, 12, 21)
NO_ONSET = "no sustained brood temperature was seen"
ALREADY = "brood already there when readings after midwinter began"
SETTINGS = Settings(model=ModelSettings(minimum_colonies=4, minimum_links=2))


def frame(table: str, rows: list[dict]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=load_derived_contracts()[table].polars_schema, orient="row")


def feature(colony: str, onset: int | None, reason: str | None = None, **more) -> dict:
    on = None if onset is None else MIDWINTER + timedelta(days=onset)
    unit = {"colony_id": colony, "winter": 2023, "sensor_days": 200, "condensation_measured_h": 0}
    return unit | {"brood_onset_on": on, "brood_onset_reason": reason} | more


def nest(colony: str, days: list[int], position: str = "brood nest") -> list[dict]:
    return [
        {
            "colony_id": colony,
            "observed_on": MIDWINTER + timedelta(days=d),
            "position": position,
            "readings": 24,
            "hours_covered": 24,
            "temperature_mean_c": 20.0,
        }
        for d in days
    ]


# ------------------------------------------------------------------------- intervals of onset


@pytest.mark.parametrize(
    ("days", "onset", "reason", "expected"),
    [
        ([*range(1, 100)], 60, None, (59.0, 60.0)),  # known to the day
        ([*range(1, 50), *range(60, 100)], 60, None, (49.0, 60.0)),  # known to the gap
        ([*range(40, 100)], None, ALREADY, (-np.inf, 40.0)),
        ([*range(1, 81)], None, NO_ONSET, (74.0, np.inf)),  # seven days tell an onset
        ([*range(-20, 190)], None, NO_ONSET, (140.0, np.inf)),  # searched to 15 May, day 146
    ],
)
def test_brood_began_within_what_the_record_tells(days, onset, reason, expected):
    found = brood_intervals(
        frame("sensor_days", nest("C1", days) + nest("C1", [*range(1, 9)], "under cover")),
        frame("sensor_features", [feature("C1", onset, reason)]),
        Settings(),
    )
    assert found.select("low", "high").rows() == [expected]


def test_a_record_too_short_or_without_a_sensor_in_the_nest_tells_nothing():
    days = nest("C1", [1, 2]) + nest("C2", [*range(1, 99)], "floor")
    features = [feature("C1", None, NO_ONSET), feature("C2", None, "no sensor")]
    found = brood_intervals(
        frame("sensor_days", days), frame("sensor_features", features), Settings()
    )
    assert found.is_empty()


# -------------------------------------------------------------------------------- packing


def tables(n: int = 24) -> dict[str, pl.DataFrame]:
    """Four members with six hives each, all levels; one colony in six died."""
    units, features, days = [], [], []
    for i in range(n):
        colony, level = f"C{i:02d}", LEVELS[(i + i // 6) % 4]
        unit = {"colony_id": colony, "winter": 2023, "apiary_id": "A"}
        unit |= {"member_id": f"M{i // 6}", "level": level, "is_disaster": False}
        unit |= {"is_alive": i % 6 != 5, "top_opening": ("open", "closed", None)[i % 3]}
        units.append(unit | {"cold_kd_per_day": 10.0 + i % 5, "was_treated": i % 2 == 0})
        more = {"condensation_risk_h": 100.0 + i, "condensation_measured_h": 4000}
        more |= {"condensation_daily_outside_h": 4000 * (i % 2)}
        features.append(feature(colony, 60 + i % 9, **more))
        days += nest(colony, [*range(1, 100)])
    return {
        "colony_winters": frame("colony_winters", units),
        "sensor_features": frame("sensor_features", features),
        "sensor_days": frame("sensor_days", days),
    }


def packed(outcome: str) -> Logged:
    return pack_logged(outcome, **tables(), settings=SETTINGS)


@pytest.mark.parametrize("outcome", SECONDARY)
def test_only_survivors_are_packed_and_the_others_counted(outcome):
    logged = packed(outcome)
    assert logged.n_units == 20 and logged.n_left_out == 4
    assert logged.levels == LEVELS and len(logged.members) == 4
    assert set(logged.covariates) >= {"cold", "treated"}
    by_day = "outside known by day only" in logged.covariates
    assert by_day == (outcome == MOISTURE)
    for values in logged.covariates.values():
        assert values.mean() == pytest.approx(0.0, abs=1e-9)


def test_values_stand_beside_their_units():
    brood, moisture = packed(BROOD), packed(MOISTURE)
    at = brood.unit_names.index("C07 2023")
    assert (brood.low[at], brood.high[at]) == (66.0, 67.0)
    at = moisture.unit_names.index("C07 2023")
    assert (moisture.low[at], moisture.high[at]) == (107.0, 4000.0)
    assert LEVELS[moisture.level[at]] == tables()["colony_winters"]["level"][7]
    assert moisture.opening[at] == 0.0  # closed


def test_an_unknown_opening_takes_the_share_of_its_level():
    logged = packed(MOISTURE)
    at = logged.unit_names.index("C08 2023")
    known = [v for v in logged.opening[logged.level == logged.level[at]] if v in (0.0, 1.0)]
    assert logged.opening[at] == pytest.approx(np.mean(known))


# -------------------------------------------------------------------------- identification


def test_too_few_loggers_at_a_level_are_refused_with_the_number_needed():
    logged = packed(BROOD)
    strict = ModelSettings(minimum_colonies=50, minimum_links=2)
    assert why_not(logged, "full vs none", strict).endswith(
        "is known for fewer than 50 surviving colony-winters at level full"
    )
    assert why_not(logged, "full vs none", SETTINGS.model) == ""


def test_levels_that_no_member_joins_are_refused_and_a_chain_of_levels_will_do():
    logged = packed(BROOD)
    apart = replace(logged, member=logged.level.copy(), members=tuple("abcd"))
    assert "no chain of other levels" in why_not(apart, "full vs none", SETTINGS.model)
    # members 0, 1 use none and top; 2, 3 use top and full
    level = np.repeat([0, 1, 1, 3], 5)
    member = np.array([0, 1, 0, 1, 0] * 2 + [2, 3, 2, 3, 2] * 2)
    chained = replace(logged, level=level, member=member)
    assert "no chain" in why_not(chained, "full vs none", ModelSettings(minimum_colonies=4))
    member = np.tile([0, 1, 2, 3, 0], 4)
    level = np.where(member < 2, np.tile([0, 1], 10), np.tile([1, 3], 10))
    member[level == 1] = np.tile([0, 1, 2, 3], 5)[: (level == 1).sum()]
    chained = replace(logged, level=level, member=member)
    assert why_not(chained, "full vs none", SETTINGS.model) == ""


def test_without_loggers_every_row_says_why_and_nothing_is_sampled():
    empty = {name: table.clear() for name, table in tables().items()}
    result = fit_secondary(**empty, settings=Settings(), progress=SILENT)
    assert result.table.height == len(SECONDARY) * len(CONTRASTS)
    assert set(result.table["status"]) == {"cannot be estimated"}
    assert result.table["mean"].null_count() == result.table.height
    assert result.attempts == [] and result.gates.is_empty()
    assert "known for no surviving colony-winter at" in result.table["reason"][0]


# ------------------------------------------------------------------------------ the model


def log_density(model: pm.Model, **values) -> float:
    point = model.initial_point()
    for name, value in values.items():
        assert name in point, (name, list(point))
        point[name] = np.asarray(value)
    terms = model.replace_rvs_by_values(model.potentials)
    compute = model.compile_fn(
        sum(term.sum() for term in terms), mode="FAST_COMPILE", on_unused_input="ignore"
    )
    return float(compute(point))


def test_the_likelihood_of_onset_is_that_of_a_censored_normal_far_out_too():
    """SciPy's normal distribution, in the tail where a plain difference underflows."""
    low = np.array([59.0, 59.0, 0.0, 400.0, -np.inf, 100.0])
    high = np.array([60.0, 65.0, 1.0, 401.0, 40.0, np.inf])
    whole = packed(BROOD)
    rows = slice(0, 6)
    logged = replace(
        whole,
        unit_names=whole.unit_names[rows],
        low=low,
        high=high,
        covariates={},
        opening=np.zeros(6),
        **{k: getattr(whole, k)[rows] for k in ("level", "member", "winter", "colony")},
        members=("M0",),
    )
    model = build_secondary_model(logged, SETTINGS.model)
    terms = model.coords["term"]
    coefficient = np.where(np.array(terms) == "intercept", 70.0, 0.0)
    sd = 8.0
    ours = log_density(model, coefficient=coefficient, onset_sd_log__=np.log(sd))
    law = stats.norm(70.0, sd)
    expected = (
        np.log(law.cdf(60) - law.cdf(59))
        + np.log(law.cdf(65) - law.cdf(59))
        + np.log(law.cdf(1) - law.cdf(0))
        # 41 standard deviations out: from the logarithms of the upper tail
        + law.logsf(400)
        + np.log1p(-np.exp(law.logsf(401) - law.logsf(400)))
        + law.logcdf(40)
        + law.logsf(100)
    )
    assert ours == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("outcome", SECONDARY)
def test_prior_predictions_are_plausible(outcome):
    """Means of a pool under the prior: brood between December and June, hours within 0 to 2,400."""
    model = build_secondary_model(packed(outcome), SETTINGS.model)
    prior = BROOD_PRIORS if outcome == BROOD else MOISTURE_PRIORS
    assert prior.share_sd >= 2 * prior.step_sd
    with model:
        draws = pm.draw(model["coefficient"], 400, random_seed=1)
    intercept = draws[:, model.coords["term"].index("intercept")]
    if outcome == BROOD:
        assert np.quantile(intercept, [0.025, 0.975]) == pytest.approx([30, 110], abs=8)
    else:
        hours = 2400 / (1 + np.exp(-intercept))
        assert np.quantile(hours, 0.025) > 10 and np.quantile(hours, 0.975) < 2200


def posterior_of(logged: Logged, coefficient: dict[str, float]) -> xr.Dataset:
    terms = build_secondary_model(logged, SETTINGS.model).coords["term"]
    values = np.array([[[coefficient.get(t, 0.0) for t in terms]]])
    groups = np.zeros((1, 1, logged.n_units))
    return xr.Dataset(
        {
            "coefficient": (("chain", "draw", "term"), values),
            "group_effect": (("chain", "draw", "unit"), groups),
        },
        coords={"term": list(terms)},
    )


def test_contrasts_of_brood_are_the_sum_of_steps_whatever_else_there_is():
    logged = packed(BROOD)
    steps = {"step to top": -1.0, "step to partial": -2.0, "step to full": -4.0}
    more = {"intercept": 70.0, "slope of cold": 9.0, "member share full": 30.0, "top opening": 5.0}
    posterior = posterior_of(logged, steps | more)
    found = [float(contrast_draws(logged, posterior, c).item()) for c in CONTRASTS]
    assert found == pytest.approx([-1.0, -3.0, -7.0])


def test_contrasts_of_hours_are_means_over_units_on_the_hours_scale():
    logged = packed(MOISTURE)
    posterior = posterior_of(logged, {"intercept": -1.0, "step to top": -1.0, "slope of cold": 0.5})
    centre = -1.0 + 1.0 * (logged.level >= 1).mean() + 0.5 * logged.covariates["cold"]

    def mean(eta: np.ndarray) -> float:
        return float((2400 / (1 + np.exp(-eta))).mean())

    found = float(contrast_draws(logged, posterior, "full vs none").item())
    assert found == pytest.approx(mean(centre - 1.0) - mean(centre))


def test_what_these_models_hold_still_are_causes_of_the_graph_and_what_they_lack_is_known():
    assumptions = load_assumptions()
    assert set(assumptions.nodes) >= HELD
    for outcome in ("brood onset", "condensation risk"):
        derived = derive_adjustment(assumptions, outcome).adjusted
        assert derived - HELD == {"apiary", "mite load"}


def test_no_number_is_shown_when_a_gate_fails(monkeypatch):
    """Two chains that stand apart: every row says not converged and carries nothing."""

    def stuck(compiled, model, n_units, attempt, task):
        made = []
        rng = np.random.default_rng(attempt)
        for chain in range(2):
            draws = {}
            for name, (dims, shape) in compiled.items():
                draws[name] = (dims, 10.0 * chain + rng.normal(size=(1, 200, *shape)))
            made.append(xr.Dataset(draws))
        posterior = xr.concat(made, dim="chain")
        terms = list(compiled_terms)
        posterior = posterior.assign_coords(term=terms)
        zeros = np.zeros((2, 200))
        energy = rng.normal(size=(2, 200))
        stats_ = xr.Dataset(
            {"diverging": (("chain", "draw"), zeros), "energy": (("chain", "draw"), energy)}
        )
        return xr.DataTree.from_dict({"posterior": posterior, "sample_stats": stats_})

    compiled_terms: list[str] = []

    def compiled_shapes(model):
        compiled_terms[:] = model.coords["term"]
        shapes = {}
        for variable in [*model.free_RVs, model["group_effect"]]:
            dims = model.named_vars_to_dims.get(variable.name) or ()
            shape = tuple(len(model.coords[d]) for d in dims)
            shapes[variable.name] = (("chain", "draw", *dims), shape)
        return shapes

    monkeypatch.setattr("nutpie.compile_pymc_model", compiled_shapes)
    monkeypatch.setattr(secondary, "_sample", stuck)
    settings = replace(SETTINGS, model=replace(SETTINGS.model, retries=1))
    result = fit_secondary(**tables(), settings=settings, progress=SILENT)
    assert set(result.table["status"]) == {"not converged"}
    for column in ("mean", "sd", "q2.5", "q97.5", "p_less"):
        assert result.table[column].null_count() == result.table.height
    assert [a["attempt"] for a in result.attempts] == [1, 2, 1, 2]
    assert result.table["reason"].str.starts_with("The sampler did not pass its gates").all()
