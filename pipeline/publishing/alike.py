"""Strengths made alike: every published strength is the mean of at least k colonies' counts.

Within an apiary size and a winter, colonies are split at the median of the wider of autumn and
spring strength as long as both halves hold k; each part then carries its means. What the means
leave out is added to the counting error, so that the model knows how coarse they are.

References
----------
Domingo-Ferrer and Torra (2005), Data Min. Knowl. Discov. 11:195-212, for k-anonymity by means of
groups; LeFevre, DeWitt and Ramakrishnan (2006), ICDE, for splitting at medians (from memory).
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.stages.windows import UNIT

SEASONS = ("autumn", "spring")
FRAMES_STEP = 0.1


def split_alike(values: np.ndarray, k: int) -> list[np.ndarray]:
    """Split rows into groups of at least k that lie close together.

    Parameters
    ----------
    values : numpy.ndarray, shape (row, quantity)
        No gaps.
    k : int

    Returns
    -------
    list of numpy.ndarray of int
        Rows of each group; one group when there are fewer than 2 k rows.

    Examples
    --------
    >>> [g.tolist() for g in split_alike(np.array([[9.0], [1.0], [8.0], [2.0]]), 2)]
    [[1, 3], [2, 0]]
    """

    def split(rows: np.ndarray) -> list[np.ndarray]:
        if len(rows) < 2 * k:
            return [rows]
        own = values[rows]
        widest = int(np.argmax(np.ptp(own, axis=0)))
        order = rows[np.argsort(own[:, widest], kind="stable")]
        half = len(order) // 2
        return [*split(order[:half]), *split(order[half:])]

    return split(np.arange(len(values)))


def _group_means(
    strength: np.ndarray, sd: np.ndarray, groups: list[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of each group, and its counting error with the spread inside the group added."""
    mean = np.array([strength[g].mean(axis=0) for g in groups])
    within = np.array([strength[g].var(axis=0) for g in groups])
    error = np.sqrt(np.array([np.nanmean(sd[g] ** 2, axis=0) for g in groups]) + within)
    return mean, error


def _alike(strength: np.ndarray, sd: np.ndarray, k: int) -> tuple[np.ndarray, np.ndarray]:
    """Make alike the strengths, shape (row, season), of one apiary size and winter."""
    made, error = np.full_like(strength, np.nan), np.full_like(sd, np.nan)
    is_known = np.isfinite(strength)
    both = np.flatnonzero(is_known.all(axis=1))
    means = errors = np.zeros((0, 2))
    if len(both) >= k:
        groups = split_alike(strength[both], k)
        means, errors = _group_means(strength[both], sd[both], groups)
        for group, mean, spread in zip(groups, means, errors, strict=True):
            made[both[group]], error[both[group]] = mean, spread
    # counted in one season only: a group of their own if they are k, else as the nearest group is
    for season in (0, 1):
        alone = is_known[:, season] & ~is_known[:, 1 - season]
        if len(both) < k and season == 0:
            alone |= is_known.all(axis=1)  # too few counted twice: the spring count is withheld
        rows = np.flatnonzero(alone)
        if len(rows) >= k:
            groups = split_alike(strength[rows][:, [season]], k)
            own, spread = _group_means(strength[rows], sd[rows], groups)
            for group, mean, e in zip(groups, own[:, season], spread[:, season], strict=True):
                made[rows[group], season], error[rows[group], season] = mean, e
        elif len(rows) and len(means):
            apart = np.abs(strength[rows][:, [season]] - means[:, season][None])
            nearest = np.argmin(apart, axis=1)
            made[rows, season] = means[nearest, season]
            error[rows, season] = errors[nearest, season]
    return made, error


def make_alike(units: pl.DataFrame, k: int) -> pl.DataFrame:
    """Replace every strength by the mean of at least k colonies of its apiary size and winter.

    Parameters
    ----------
    units : polars.DataFrame
        With ``apiary_size``, and ``SEASON_strength_frames`` and ``SEASON_strength_sd_frames``.
    k : int

    Returns
    -------
    polars.DataFrame
        The same rows, sorted by key. A strength is empty where fewer than k could share it.
    """
    names = [f"{season}_strength_frames" for season in SEASONS]
    sd_names = [f"{season}_strength_sd_frames" for season in SEASONS]
    parts = []
    for _, part in units.sort("apiary_size", *UNIT).group_by(
        "apiary_size", "winter", maintain_order=True
    ):
        strength = part.select(names).cast(pl.Float64).fill_null(np.nan).to_numpy()
        sd = part.select(sd_names).cast(pl.Float64).fill_null(np.nan).to_numpy()
        sd = np.where(np.isfinite(sd), sd, 0.0)
        made, error = _alike(strength, sd, k)
        columns = [*zip(names, made.T, strict=True), *zip(sd_names, error.T, strict=True)]
        parts.append(
            part.with_columns(
                pl.Series(
                    name, np.round(values / FRAMES_STEP) * FRAMES_STEP, nan_to_null=True
                ).round(6)
                for name, values in columns
            )
        )
    return pl.concat(parts).sort(*UNIT)
