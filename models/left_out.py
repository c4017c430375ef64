"""Records of some units, set apart from everything that other units also speak of.

Leaving a colony-winter, an apiary or a member out by reweighting draws needs the density of
its records given what stays: the effects and unknowns that belong to it alone (a member's own
effect, its yards', its colonies', its mite loads) must be integrated out, else every weight rests
on a few draws. This module finds what is theirs alone and its covariance; ``models/marginal.py``
integrates it out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.data import Pool
from models.log_likelihood import (
    Draws,
    log_mites_when_counted,
    terms_as_recorded,
    treatment_part,
)
from models.predictor import layout_of
from models.priors import Priors
from models.vocabulary import by_information

MITES = "mites"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Records of some units under every draw of what stays.

    Attributes
    ----------
    kinds : dict of str to slice
        Places of each outcome's records, and of ``mites``, in the arrays below.
    own : dict of str to numpy.ndarray of int
        Which of the outcome's records (or of the mite counts) they are.
    offset : numpy.ndarray, shape (draw, record)
        Predictor with the units' own unknowns at their means.
    at : numpy.ndarray, shape (draw, record)
        What their own unknowns add in the draw itself.
    covariance : numpy.ndarray, shape (draw, record, record)
        Of what their own unknowns add.
    """

    kinds: dict[str, slice]
    own: dict[str, np.ndarray]
    offset: np.ndarray
    at: np.ndarray
    covariance: np.ndarray

    def take(self, n: int) -> LeftOut:
        """Return the first ``n`` draws."""
        return LeftOut(self.kinds, self.own, self.offset[:n], self.at[:n], self.covariance[:n])


def _correlation(draws: Draws, outcomes: tuple[str, ...]) -> np.ndarray:
    """Correlation of outcomes, shape (draw, outcome, outcome), from partial correlations."""
    n = len(outcomes)
    lower = np.zeros((draws.n, n, n))
    lower[:, 0, 0] = 1.0
    if n > 1:
        r = draws.values["partial_correlation"]
        rest = np.sqrt(1.0 - r**2)
        lower[:, 1, 0], lower[:, 1, 1] = r[:, 0], rest[:, 0]
    if n > 2:
        lower[:, 2, 0] = r[:, 1]
        lower[:, 2, 1], lower[:, 2, 2] = rest[:, 1] * r[:, 2], rest[:, 1] * rest[:, 2]
    made = lower @ lower.transpose(0, 2, 1)
    back = np.argsort(by_information(outcomes))
    return made[:, back][:, :, back]


def _same(labels: np.ndarray) -> np.ndarray:
    return labels[:, None] == labels[None, :]


def times(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """Multiply a matrix of every draw, in its own precision, with a vector of every draw."""
    return (matrix @ vector.astype(matrix.dtype)[..., None])[..., 0]


class LeavingOut:
    """Leaves sets of units out, one after another; holds what all sets need.

    Parameters
    ----------
    pool : Pool
    draws : Draws
    priors : Priors
    predictors : dict of str to numpy.ndarray, shape (draw, record)
        As ``models.log_likelihood.observed_predictor``, of the same draws.
    """

    def __init__(
        self, pool: Pool, draws: Draws, priors: Priors, predictors: dict[str, np.ndarray]
    ) -> None:
        self.pool, self.draws, self.priors = pool, draws, priors
        self.predictors, self.layout = predictors, layout_of(pool)
        self.terms = {o: terms_as_recorded(pool, o) for o in pool.outcomes}
        self._find_users()
        self._describe_groups()
        self._describe_loads()
        self.record_of_unit = {}
        for outcome in pool.outcomes:
            rows = pool.observed[outcome].rows
            self.record_of_unit[outcome] = np.full(pool.n_units, -1)
            self.record_of_unit[outcome][rows] = np.arange(len(rows))

    def _find_users(self) -> None:
        """Count the units that each effect and each unknown speaks of."""
        pool, layout, first = self.pool, self.layout, self.terms[self.pool.outcomes[0]]
        self.effect_users = np.zeros(layout.n_effects, dtype=int)
        for k in range(first.pick.shape[1]):
            np.add.at(self.effect_users, first.pick[first.weight[:, k] != 0, k], 1)
        mites = layout.coefficient("slope of", MITES) if pool.has(MITES) else None
        sd = first.latent_sd
        self.columns = [
            c
            for c in range(sd.shape[1])
            if (sd[:, c] > 0).any() and (mites is None or not first.slope[mites, c])
        ]
        self.pairs = [
            (c, d)
            for c in self.columns
            for d in self.columns
            if np.array_equal(first.latent_place[:, c], first.latent_place[:, d])
        ]
        known = [
            np.column_stack([np.flatnonzero(sd[:, c] > 0), first.latent_place[sd[:, c] > 0, c]])
            for c in self.columns
        ]
        used = np.unique(np.concatenate(known), axis=0)[:, 1] if known else np.zeros(0, dtype=int)
        self.latent_users = np.bincount(used, minlength=self.draws.latent.shape[1])
        coefficients = self.draws.effects[:, :, : len(layout.coefficients)]
        slopes = [self.terms[o].slope for o in pool.outcomes]
        self.column_slope = np.stack(
            [coefficients[:, o] @ slope for o, slope in enumerate(slopes)], axis=1
        )  # shape (draw, outcome, column)

    def _describe_groups(self) -> None:
        """Covariance of a group's effects between outcomes, shape (draw, outcome, outcome)."""
        n, placed = len(self.pool.outcomes), 0
        self.groupings: list[tuple[slice, np.ndarray]] = []
        for g, (name, (_, names)) in enumerate(self.layout.groupings.items()):
            spread = self.draws.values["spread"][:, g]
            is_correlated = placed < self.layout.n_correlated
            between = _correlation(self.draws, self.pool.outcomes) if is_correlated else np.eye(n)
            covariance = spread[:, :, None] * spread[:, None, :] * between
            self.groupings.append((self.layout.groups(name), covariance))
            placed += len(names)

    def _describe_loads(self) -> None:
        """Mean log mite load of units without their member's part, and that part."""
        pool, draws = self.pool, self.draws
        self.load_mean = np.zeros((draws.n, pool.n_units))
        self.member_load = np.zeros((draws.n, len(pool.members)))
        self.slope = np.zeros((draws.n, len(pool.outcomes) + 1))
        if not pool.has(MITES):
            return
        mean = draws.column("mite_load_mean") + np.zeros(pool.n_units)
        mean += treatment_part(pool, draws)
        if "mite_winter_effect" in draws.values:
            mean += draws.values["mite_winter_effect"][:, pool.winter]
        self.load_mean = mean
        if "mite_member_z" in draws.values:
            self.member_load = draws.column("mite_member_sd") * draws.values["mite_member_z"]
        at = self.layout.coefficient("slope of", MITES)
        self.slope[:, :-1] = draws.effects[:, :, at]
        self.slope[:, -1] = 1.0  # a count reads the load itself

    def count_records(self, units: np.ndarray) -> int:
        """Records of some units, mite counts included."""
        n = sum(int((found[units] >= 0).sum()) for found in self.record_of_unit.values())
        return n + int(self.pool.has(MITES) and np.isin(self.pool.mite_counts.rows, units).sum())

    def leave_out(self, units: np.ndarray) -> LeftOut:
        """Set up the records of some units, their own unknowns apart from all others.

        Parameters
        ----------
        units : numpy.ndarray of int
            An effect or unknown that no other unit has is theirs alone.
        """
        pool, draws, first = self.pool, self.draws, self.terms[self.pool.outcomes[0]]
        inside = np.zeros(pool.n_units, dtype=bool)
        inside[units] = True
        own: dict[str, np.ndarray] = {}
        kinds: dict[str, slice] = {}
        rows: list[np.ndarray] = []
        kind_of: list[np.ndarray] = []
        for k, outcome in enumerate((*pool.outcomes, MITES)):
            if outcome == MITES:
                is_own = inside[pool.mite_counts.rows] & pool.has(MITES)
                found = np.flatnonzero(is_own)
                unit = pool.mite_counts.rows[found]
            else:
                found = self.record_of_unit[outcome][units]
                found = found[found >= 0]
                unit = pool.observed[outcome].rows[found]
            start = sum(map(len, rows))
            own[outcome], kinds[outcome] = found, slice(start, start + len(found))
            rows.append(unit)
            kind_of.append(np.full(len(found), k))
        unit, kind = np.concatenate(rows), np.concatenate(kind_of)
        picks = first.pick[units][first.weight[units] != 0]
        is_effect_own = np.bincount(picks, minlength=self.layout.n_effects) == self.effect_users
        is_effect_own[: len(self.layout.coefficients)] = False
        is_effect_own[self.layout.winter_start :] = False
        sd = first.latent_sd[np.ix_(units, self.columns)]
        place = first.latent_place[np.ix_(units, self.columns)]
        pairs = np.unique(
            np.column_stack([np.repeat(units, len(self.columns)), place.ravel()])[sd.ravel() > 0],
            axis=0,
        )
        used = np.bincount(pairs[:, 1], minlength=len(self.latent_users))
        is_latent_own = used == self.latent_users
        members = np.unique(pool.member[units])
        is_member_own = np.zeros(len(pool.members), dtype=bool)
        for member in members:
            is_member_own[member] = bool(inside[pool.member == member].all())

        mean_load = self.load_mean[:, unit] + np.where(
            is_member_own[pool.member[unit]], 0.0, self.member_load[:, pool.member[unit]]
        )
        deviation = -mean_load
        if pool.has(MITES):
            deviation = draws.values["mite_load"][:, unit] - mean_load
        at = self.slope[:, kind] * deviation
        predictor = np.empty(at.shape)
        for o, outcome in enumerate(pool.outcomes):
            here, who = kinds[outcome], unit[kinds[outcome]]
            predictor[:, here] = self.predictors[outcome][:, own[outcome]]
            weight = first.weight[who] * is_effect_own[first.pick[who]]
            at[:, here] += (draws.effects[:, o][:, first.pick[who]] * weight).sum(axis=-1)
            for c in self.columns:
                spot = first.latent_place[who, c]
                value = first.latent_sd[who, c] * is_latent_own[spot] * draws.latent[:, spot]
                at[:, here] += self.column_slope[:, o, c, None] * value
        here = kinds[MITES]
        added = log_mites_when_counted(pool, draws, own[MITES])
        predictor[:, here] = mean_load[:, here] + deviation[:, here] + added
        covariance = self._covariance(unit, kind, is_effect_own, is_latent_own, is_member_own)
        return LeftOut(kinds, own, predictor - at, at, covariance)

    def _covariance(
        self,
        unit: np.ndarray,
        kind: np.ndarray,
        is_effect_own: np.ndarray,
        is_latent_own: np.ndarray,
        is_member_own: np.ndarray,
    ) -> np.ndarray:
        """Sum the covariances of all that is the units' own, shape (draw, record, record)."""
        pool, draws, first = self.pool, self.draws, self.terms[self.pool.outcomes[0]]
        n_draws, n_kinds = draws.n, len(pool.outcomes) + 1
        shared: list[np.ndarray] = []  # (record, record): in common between two records
        sizes: list[np.ndarray] = []  # (draw, kind, kind): how much that is worth
        is_outcome = kind < n_kinds - 1
        pick, weight = first.pick[unit], first.weight[unit] * is_effect_own[first.pick[unit]]
        weight = weight * is_outcome[:, None]
        for places, covariance in self.groupings:
            of_grouping = (pick >= places.start) & (pick < places.stop)
            value = (weight * of_grouping).sum(axis=1)
            if value.any():
                label = np.where(of_grouping, pick, 0).sum(axis=1)
                shared.append(_same(label) * value[:, None] * value)
                padded = np.zeros((n_draws, n_kinds, n_kinds))
                padded[:, :-1, :-1] = covariance
                sizes.append(padded)
        slopes = np.zeros((n_draws, n_kinds, self.column_slope.shape[2]))
        slopes[:, :-1] = self.column_slope
        for c, d in self.pairs:
            spot = first.latent_place[unit, c]
            one, two = (first.latent_sd[unit, x] * is_latent_own[spot] * is_outcome for x in (c, d))
            if one.any() and two.any():
                shared.append(_same(spot) * one[:, None] * two)
                sizes.append(slopes[:, :, None, c] * slopes[:, None, :, d])
        if pool.has(MITES):
            both = self.slope[:, :, None] * self.slope[:, None, :]
            shared.append(_same(unit).astype(float))
            sizes.append(both * draws.values["mite_load_sd"][:, None, None] ** 2)
            member = pool.member[unit]
            theirs = is_member_own[member].astype(float)
            if theirs.any() and "mite_member_z" in draws.values:
                shared.append(_same(member) * theirs[:, None] * theirs)
                sizes.append(both * draws.values["mite_member_sd"][:, None, None] ** 2)
        n = len(unit)
        if not shared:
            return np.zeros((n_draws, n, n))
        made = np.empty((n_draws, n, n), dtype=np.float32)  # half the time; weights need no more
        common, worth = np.array(shared, np.float32), np.array(sizes, np.float32)
        blocks = [np.flatnonzero(kind == k) for k in range(n_kinds)]
        for k, rows in enumerate(blocks):
            for m, columns in enumerate(blocks):
                part = common[:, rows[:, None], columns].reshape(len(shared), -1)
                block = worth[:, :, k, m].T @ part
                made[:, rows[:, None], columns] = block.reshape(n_draws, len(rows), len(columns))
        return made
