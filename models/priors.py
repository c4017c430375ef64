"""Every prior of the model, in the outcome's own units, with the reason beside it.

Survival is on the logit scale, stores use on the log-kilogram scale, spring strength on the
log-frame scale, mite load on the log scale of mites per 100 bees. Covariates are standardised
(per standard deviation of the pool), so a slope is "per typical difference between colonies".

The table of scales was supported by a prototype on simulated pools whose truth came from a
mechanistic process; ``tests/recovery`` checks it again. A scale called *fixed* is not learnt:
it says how wide a prior is, on purpose, where learning it would let confounding back in or
would make a funnel.
"""

from __future__ import annotations

from dataclasses import dataclass, field

SPREAD_MEDIAN = 0.6  # of the stated scale: close to a half-normal's 0.67
SPREAD_LOG_SD = 0.6  # 95 %: 0.18 to 1.9 times the scale


@dataclass(frozen=True, slots=True)
class OutcomePriors:
    """Priors of one outcome's linear predictor."""

    intercept_mu: float
    intercept_sd: float
    level_step_sd: float  # fixed: one level up; sign free, so that insulation may do harm
    opening_sd: float  # fixed: an open top may matter as much as a level
    level_opening_sd: float  # fixed, small: pooled towards "the opening adds"
    level_cold_sd: float  # fixed, small: pooled towards "the same in any cold", per pool sd
    slope_sd: float  # fixed: one standard deviation of a covariate
    mite_slope_sd: float  # fixed: one log unit of mite load (2.7 times the mites)
    member_share_sd: float  # fixed, at least 3 times the step: only within-member contrasts count
    apiary_share_sd: float  # fixed: the same for an apiary's deviation from its member
    group_sd: float  # spread of member, apiary and apiary-winter spread
    colony_sd: float  # spread of what a colony keeps over winters
    winter_sd: float  # fixed: a bad winter; few winters cannot teach their own spread
    level_winter_sd: float  # spread: a level may do more in one winter than another
    apiary_full_sd: float  # spread: full insulation may do more in one yard


SURVIVAL = OutcomePriors(
    intercept_mu=1.4,  # logit(0.80): about four colonies in five come through
    intercept_sd=0.8,  # 95 % of pools between 46 % and 95 %
    level_step_sd=0.6,  # wider soaks up between-member confounding, narrower hides real effects
    opening_sd=0.6,
    level_opening_sd=0.2,
    level_cold_sd=0.2,
    slope_sd=0.5,
    mite_slope_sd=0.7,
    member_share_sd=3.0,  # without it a skill-confounded pool was off by 5 points
    apiary_share_sd=1.5,
    group_sd=0.5,  # typical members' odds differ by up to a factor 2 to 3
    colony_sd=0.3,
    winter_sd=0.5,
    level_winter_sd=0.25,
    apiary_full_sd=0.3,
)

STORES = OutcomePriors(
    intercept_mu=2.5,  # 12 kg over the reference winter
    intercept_sd=0.5,  # 95 % of pools between 5 and 32 kg
    level_step_sd=0.12,  # 95 %: one level up changes use by less than a quarter
    opening_sd=0.12,
    level_opening_sd=0.04,
    level_cold_sd=0.04,
    slope_sd=0.1,
    mite_slope_sd=0.1,
    member_share_sd=0.5,
    apiary_share_sd=0.25,
    group_sd=0.12,
    colony_sd=0.06,
    winter_sd=0.2,
    level_winter_sd=0.05,
    apiary_full_sd=0.06,
)

STRENGTH = OutcomePriors(
    intercept_mu=1.8,  # 6 frames in April
    intercept_sd=0.5,  # 95 % of pools between 2.3 and 16 frames
    level_step_sd=0.18,  # 95 %: one level up changes frames by less than two fifths
    opening_sd=0.18,
    level_opening_sd=0.06,
    level_cold_sd=0.06,
    slope_sd=0.15,
    mite_slope_sd=0.3,
    member_share_sd=0.8,
    apiary_share_sd=0.4,
    group_sd=0.2,
    colony_sd=0.1,
    winter_sd=0.2,
    level_winter_sd=0.08,
    apiary_full_sd=0.09,
)


@dataclass(frozen=True, slots=True)
class StoresPriors:
    """Priors of the ledger that are not part of the linear predictor."""

    exponent_mu: float = 1.0  # use grows in proportion to the days between weighings
    exponent_sd: float = 0.25  # or a little faster, once brood starts
    window_cold_sd: float = 0.1  # as any covariate: one sd of cold changes use by a tenth
    cv_sd: float = 0.25  # half-normal: colonies alike in all else differ by up to half
    degrees_of_freedom: float = 6.0  # fixed: a forgotten feeding must not rule the answer


@dataclass(frozen=True, slots=True)
class StrengthPriors:
    """Priors of the spring strength count that are not part of the linear predictor."""

    cv_sd: float = 0.5  # half-normal: colonies alike in all else differ by up to their mean


@dataclass(frozen=True, slots=True)
class MitePriors:
    """Priors of the latent mite load and of the four ways to count mites.

    Recovery of washes (90 to 95 %) and of sugar rolls (65 to 90 %, falling with humidity), the
    autumn growth of the load and a treatment's efficacy are common figures quoted from memory;
    the share of drop to colony mites in autumn (1 in 100 a day) is Martin (1998), from memory.
    """

    load_mu: float = 0.7  # log 2 mites per 100 bees, below the usual action level of 3
    load_mu_sd: float = 0.7  # 95 % of pools between 0.5 and 8
    treatment_mu: float = -0.5  # treated colonies carry fewer, but those in need are treated
    treatment_sd: float = 0.7
    # spread, log load: active ingredients differ less from each other than from no treatment
    treatment_type_sd: float = 0.4  # typically by a quarter, at most by about a factor 2
    # log load per 30 days longer before the reference date. Were treated and untreated colonies
    # to grow alike, timing would not matter (0); were the untreated to stand still, the treated
    # would regain growth * 30 = 0.6
    regrowth_mu: float = 0.2
    regrowth_sd: float = 0.3  # sign free: who treats late may have had more to treat
    member_sd: float = 0.5  # spread
    winter_sd: float = 0.4  # fixed
    load_sd: float = 0.8  # spread: colonies of one member differ by up to 5 times
    growth_mu: float = 0.02  # per day in autumn: doubles in five weeks
    growth_sd: float = 0.008
    efficacy_mu: float = 1.5  # a treatment removes 78 %
    efficacy_sd: float = 0.5  # 95 %: 41 to 92 %
    # share of a sample's mites that a method finds: (logit mean, logit sd)
    sensitivity: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {
            "alcohol wash": (2.5, 0.3),  # 0.92 (0.87 to 0.96)
            "sugar roll": (1.2, 0.4),  # 0.77 (0.60 to 0.88)
            "CO2 roll": (1.1, 0.5),  # 0.75 (0.53 to 0.89), least known
        }
    )
    overdispersion_mu: float = 2.3  # log 10: repeated samples vary 32 % beyond chance
    overdispersion_sd: float = 0.15  # tight: one sample a colony cannot tell it from load_sd
    board_rate_mu: float = -1.0  # log 0.37 mites a day per mite/100 bees per frame of bees
    board_rate_sd: float = 0.7  # weakly known: a factor 4 either way
    board_overdispersion_mu: float = 1.1  # log 3: drop is a poor reading of the load
    board_overdispersion_sd: float = 0.15


@dataclass(frozen=True, slots=True)
class Priors:
    """All priors of the joint model."""

    outcomes: dict[str, OutcomePriors] = field(
        default_factory=lambda: {
            "stores use": STORES,
            "survival": SURVIVAL,
            "spring strength": STRENGTH,
        }
    )
    stores: StoresPriors = field(default_factory=StoresPriors)
    strength: StrengthPriors = field(default_factory=StrengthPriors)
    mites: MitePriors = field(default_factory=MitePriors)
    # LKJ over outcomes: each correlation has prior sd 0.32; a flatter prior mixed badly
    # (eta 2: R-hat 1.06 in one of three fits) and few members can teach it
    correlation_eta: float = 4.0
