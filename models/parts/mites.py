"""Latent mite load at the reference date, and four noisy ways to read it."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models.data import Pool
from models.design import product
from models.priors import MitePriors
from models.spreads import add_spread
from models.treatments import Treatments
from models.vocabulary import METHODS


def add_mite_load(pool: Pool, priors: MitePriors) -> pt.TensorVariable:
    """Add every unit's log mite load to the open model, counted or not.

    Returns
    -------
    TensorVariable, shape (unit,)
        Log mites per 100 bees at the reference date.

    Notes
    -----
    Non-centred: centred draws mix clearly worse. Treatment, member and winter carry the load
    of colonies that nobody counted.

    Where records can carry it, each active ingredient has an effect of its own about the common
    one, and the load of the treated regrows with the days from treatment to the reference date
    (``models/treatments.py`` has the rules). One number for all treatments remains otherwise.
    """
    mean = pm.Normal("mite_load_mean", priors.load_mu, priors.load_mu_sd)
    load = mean
    if np.ptp(pool.treated) > 0:
        effect = pm.Normal("treatment_effect", priors.treatment_mu, priors.treatment_sd)
        treated = pm.Data("treated", pool.treated - pool.treated.mean())
        load = load + effect * treated
        load = _with_type_and_timing(pool.treatments, priors, load)
    if pool.has("member effects"):
        member_sd = add_spread("mite_member_sd", priors.member_sd)
        member_z = pm.Normal("mite_member_z", dims="member")
        load = load + member_sd * member_z[pm.Data("member_of_unit", pool.member)]
    if pool.has("winter effects"):
        winter = pm.ZeroSumNormal("mite_winter_effect", priors.winter_sd, dims="winter")
        load = load + winter[pm.Data("winter_of_unit", pool.winter)]
    sd = add_spread("mite_load_sd", priors.load_sd)
    z = pm.Normal("mite_load_z", dims="unit")
    return pm.Deterministic("mite_load", load + sd * z, dims="unit")


def _with_type_and_timing(
    given: Treatments, priors: MitePriors, load: pt.TensorVariable
) -> pt.TensorVariable:
    """Add how treatment types differ from the common effect, and regrowth since treatment."""
    if given.has_types:
        sd = add_spread("treatment_type_sd", priors.treatment_type_sd)
        z = pm.Normal("treatment_type_z", dims="treatment_type")
        share = pm.Data("treatment_share", given.share - given.share.mean(axis=0))
        load = load + product(sd * z, share)
    if given.has_timing:
        regrowth = pm.Normal("treatment_regrowth", priors.regrowth_mu, priors.regrowth_sd)
        load = load + regrowth * pm.Data("treatment_months", given.months)
    return load


def add_mite_counts(pool: Pool, priors: MitePriors, load: pt.TensorVariable) -> None:
    """Add the likelihood of washes, rolls and boards to the open model.

    A count taken ``d`` days before the reference date reads the load less ``growth * d``, and
    more by the efficacy of every treatment that lies between.
    """
    counts = pool.mite_counts
    is_board = counts.method < 0

    def at_sampling(rows: np.ndarray, name: str) -> pt.TensorVariable:
        """Log mites per 100 bees on the day of each of these counts."""
        at = load[pm.Data(f"{name}_unit", counts.rows[rows])]
        if growth is not None:
            at = at - growth * pm.Data(f"{name}_days_before", counts.days_before[rows])
        if efficacy is not None:
            between = counts.treatments_between[rows]
            at = at + efficacy * pm.Data(f"{name}_treatments_between", between)
        return at

    growth = efficacy = None
    if counts.days_before.any():
        growth = pm.Normal("mite_growth", priors.growth_mu, priors.growth_sd)
    if counts.treatments_between.any():
        efficacy = pm.Normal("treatment_efficacy", priors.efficacy_mu, priors.efficacy_sd)
    sampled, boards = np.flatnonzero(~is_board), np.flatnonzero(is_board)
    if len(sampled):
        used = sorted(set(counts.method[sampled]))
        logit = np.array([priors.sensitivity[METHODS[k]] for k in used])
        sensitivity_logit = pm.Normal("sensitivity_logit", logit[:, 0], logit[:, 1], dims="method")
        sensitivity = pm.Deterministic(
            "sensitivity", pm.math.sigmoid(sensitivity_logit), dims="method"
        )
        method = pm.Data("sample_method", np.searchsorted(used, counts.method[sampled]))
        hundreds = pm.Data("sample_log_hundreds", np.log(counts.bees[sampled] / 100.0))
        log_mean = pt.log(sensitivity)[method] + hundreds + at_sampling(sampled, "sample")
        phi = pm.LogNormal(
            "count_overdispersion", priors.overdispersion_mu, priors.overdispersion_sd
        )
        pm.NegativeBinomial(
            "mites_in_sample",
            mu=pt.exp(log_mean),
            alpha=phi,
            observed=pm.Data("sample_mites", counts.mites[sampled]),
            dims="sample",
        )
    if len(boards):
        rate = pm.LogNormal("board_rate", priors.board_rate_mu, priors.board_rate_sd)
        offset = np.log(counts.board_days[boards] * pool.autumn_frames[counts.rows[boards]])
        phi = pm.LogNormal(
            "board_overdispersion",
            priors.board_overdispersion_mu,
            priors.board_overdispersion_sd,
        )
        log_mean = pm.Data("board_log_offset", offset) + at_sampling(boards, "board")
        pm.NegativeBinomial(
            "mites_on_board",
            mu=rate * pt.exp(log_mean),
            alpha=phi,
            observed=pm.Data("board_mites", counts.mites[boards]),
            dims="board",
        )


def mite_coords(pool: Pool) -> dict[str, list]:
    """Return the coords that the mite part needs: treatments, methods used, samples and boards."""
    counts = pool.mite_counts
    sampled = counts.method >= 0
    types = pool.treatments.types
    return ({"treatment_type": list(types)} if types else {}) | {
        "method": [METHODS[k] for k in sorted(set(counts.method[sampled]))],
        "sample": list(range(int(sampled.sum()))),
        "board": list(range(int((~sampled).sum()))),
    }
