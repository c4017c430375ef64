"""Latent mite load at the reference date, and four noisy ways to read it."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models.data import Pool
from models.priors import MitePriors, add_spread
from models.vocabulary import METHODS


def add_mite_load(pool: Pool, priors: MitePriors) -> tuple[pt.TensorVariable, pt.TensorVariable]:
    """Add every unit's log mite load to the open model, counted or not.

    Returns
    -------
    load : TensorVariable, shape (unit,)
        Log mites per 100 bees at the reference date.
    mean : TensorVariable, scalar
        Its centre.

    Notes
    -----
    Non-centred: centred draws mix clearly worse. Treatment, member and winter carry the load
    of colonies that nobody counted.
    """
    mean = pm.Normal("mite_load_mean", priors.load_mu, priors.load_mu_sd)
    load = mean
    if np.ptp(pool.treated) > 0:
        effect = pm.Normal("treatment_effect", priors.treatment_mu, priors.treatment_sd)
        load = load + effect * (pool.treated - pool.treated.mean())
    if pool.has("member effects"):
        member_sd = add_spread("mite_member_sd", priors.member_sd)
        member_z = pm.Normal("mite_member_z", dims="member")
        load = load + member_sd * member_z[pool.member]
    if pool.has("winter effects"):
        winter = pm.ZeroSumNormal("mite_winter_effect", priors.winter_sd, dims="winter")
        load = load + winter[pool.winter]
    sd = add_spread("mite_load_sd", priors.load_sd)
    load = pm.Deterministic(
        "mite_load", load + sd * pm.Normal("mite_load_z", dims="unit"), dims="unit"
    )
    return load, mean


def add_mite_counts(pool: Pool, priors: MitePriors, load: pt.TensorVariable) -> None:
    """Add the likelihood of washes, rolls and boards to the open model.

    A count taken ``d`` days before the reference date reads the load less ``growth * d``, and
    more by the efficacy of every treatment that lies between.
    """
    counts = pool.mite_counts
    at_sample = load[counts.rows]
    if np.ptp(counts.days_before) > 0 or counts.days_before.any():
        growth = pm.Normal("mite_growth", priors.growth_mu, priors.growth_sd)
        at_sample = at_sample - growth * counts.days_before
    if counts.treatments_between.any():
        efficacy = pm.Normal("treatment_efficacy", priors.efficacy_mu, priors.efficacy_sd)
        at_sample = at_sample + efficacy * counts.treatments_between
    is_board = counts.method < 0
    sampled, boards = np.flatnonzero(~is_board), np.flatnonzero(is_board)
    if len(sampled):
        used = sorted(set(counts.method[sampled]))
        names = [METHODS[k] for k in used]
        logit = np.array([priors.sensitivity[name] for name in names])
        sensitivity_logit = pm.Normal("sensitivity_logit", logit[:, 0], logit[:, 1], dims="method")
        sensitivity = pm.Deterministic(
            "sensitivity", pm.math.sigmoid(sensitivity_logit), dims="method"
        )
        method = np.searchsorted(used, counts.method[sampled])
        log_mean = (
            pt.log(sensitivity)[method] + np.log(counts.bees[sampled] / 100.0) + at_sample[sampled]
        )
        phi = pm.LogNormal(
            "count_overdispersion", priors.overdispersion_mu, priors.overdispersion_sd
        )
        pm.NegativeBinomial(
            "mites_in_sample",
            mu=pt.exp(log_mean),
            alpha=phi,
            observed=counts.mites[sampled],
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
        pm.NegativeBinomial(
            "mites_on_board",
            mu=rate * pt.exp(offset + at_sample[boards]),
            alpha=phi,
            observed=counts.mites[boards],
            dims="board",
        )


def mite_coords(pool: Pool) -> dict[str, list]:
    """Return the coords that the mite part needs: methods used, samples and boards."""
    counts = pool.mite_counts
    sampled = counts.method >= 0
    return {
        "method": [METHODS[k] for k in sorted(set(counts.method[sampled]))],
        "sample": list(range(int(sampled.sum()))),
        "board": list(range(int((~sampled).sum()))),
    }
