"""What a check of the finding reads, and what it answers.

A check asks one question of a finished fit and answers it with a sentence, a table and a status.
``passed`` and ``failed`` follow from a threshold named in the check's own file; a check without
a defensible threshold is ``informational``; one that these records or this fit do not allow is
``not run`` and says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import xarray as xr

from models.data import Pool
from models.left_out import LeavingOut
from models.log_likelihood import Draws, gather_draws, log_likelihood, observed_predictor
from models.priors import Priors
from pipeline.settings import Settings

if TYPE_CHECKING:
    from models.checks.headline import Headline

PASSED, FAILED, INFORMATIONAL, NOT_RUN = STATUSES = (
    "passed",
    "failed",
    "informational",
    "not run",
)
MOST_DRAWS = 1200  # enough for tails of 100 draws in importance sampling
FEWEST_DRAWS = 400
DRAWS_LEAVING_OUT = 400  # each costs a matrix of a member's records
VALUES_AT_ONCE = 2_500_000  # draws times units of one outcome: keeps large pools below 1 GiB
NO_POSTERIOR = (
    "There is no posterior to check: no contrast could be estimated, or the sampler did not "
    "converge."
)


@dataclass(frozen=True)
class Evidence:
    """What a fit leaves to be checked.

    Attributes
    ----------
    settings : Settings
    pool : Pool
    posterior, sample_stats : xarray.Dataset or None, dims (chain, draw, ...)
        None when nothing was sampled or the gates did not pass.
    estimands : polars.DataFrame
        ``results/estimands.csv``.
    colony_winters, mite_samples : polars.DataFrame
        As ``data_contracts/derived`` describes; all of them, analysed or not.
    set_ups : polars.DataFrame
        The record ``set_ups``: colony_id, winter, installed_on and more.
    priors : Priors
        Those the model was built with.
    """

    settings: Settings
    pool: Pool
    posterior: xr.Dataset | None
    sample_stats: xr.Dataset | None
    estimands: pl.DataFrame
    colony_winters: pl.DataFrame
    mite_samples: pl.DataFrame
    set_ups: pl.DataFrame
    priors: Priors = field(default_factory=Priors)

    def prepare(self) -> None:
        """Make what several checks share, once, before they run side by side."""
        if self.posterior is not None:
            _ = self.headline, self.leaving_out, self.log_likelihood

    @cached_property
    def draws(self) -> Draws:
        """Draws of the posterior, thinned to what the checks need."""
        if self.posterior is None:
            raise ValueError(NO_POSTERIOR)
        affordable = VALUES_AT_ONCE // max(self.pool.n_units, 1)
        return gather_draws(self.posterior, int(np.clip(affordable, FEWEST_DRAWS, MOST_DRAWS)))

    @cached_property
    def predictors(self) -> dict[str, np.ndarray]:
        """Linear predictor of every record by outcome, shape (draw, record)."""
        return {o: observed_predictor(self.pool, self.draws, o) for o in self.pool.outcomes}

    @cached_property
    def headline(self) -> Headline | None:
        """Expected outcomes on both sides of the headline contrast, summed over apiaries."""
        from models.checks.headline import headline_means, headline_rows

        rows = headline_rows(self.estimands)
        if self.posterior is None or rows.is_empty():
            return None
        return headline_means(self, rows["contrast"][0], self.pool.apiary)

    @cached_property
    def leaving_out(self) -> LeavingOut:
        """For the likelihood of some units' records; ``leaving_out_rows`` says of which draws."""
        rows = self.leaving_out_rows
        predictors = {o: eta[rows] for o, eta in self.predictors.items()}
        return LeavingOut(self.pool, self.draws.take(rows), self.priors, predictors)

    @property
    def leaving_out_rows(self) -> slice:
        """Which of ``draws`` stand behind ``leaving_out``."""
        return slice(None, None, max(1, round(self.draws.n / DRAWS_LEAVING_OUT)))

    @cached_property
    def log_likelihood(self) -> dict[str, np.ndarray]:
        """Pointwise log likelihood by outcome, and of ``mites``; shape (draw, record)."""
        return log_likelihood(self.pool, self.draws, self.priors, self.predictors)


@dataclass(frozen=True, slots=True)
class Check:
    """One question asked of the finding, and the answer.

    Attributes
    ----------
    name : str
        Of its file: ``results/checks/NAME.csv``.
    title, question : str
        In plain words.
    status : {"passed", "failed", "informational", "not run"}
    sentence : str
        The answer in plain words, with its numbers.
    table : polars.DataFrame
        What the sentence rests on; no member, apiary or colony by name.
    reason : str
        Why the status is what it is: the threshold, or what is missing to run it.
    failed_for : tuple of str
        Outcomes whose answer a failure bears on; empty unless failed.

    Raises
    ------
    ValueError
        The status is not one of the four, or ``failed_for`` disagrees with it.
    """

    name: str
    title: str
    question: str
    status: str
    sentence: str
    table: pl.DataFrame
    reason: str = ""
    failed_for: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.status not in STATUSES:
            raise ValueError(f"{self.name}: {self.status!r} is no status")
        if (self.status == FAILED) != bool(self.failed_for):
            raise ValueError(f"{self.name}: {self.status}, yet failed for {self.failed_for}")


@dataclass(frozen=True, slots=True)
class About:
    """What a check is called and asks; makes its answers."""

    name: str
    title: str
    question: str

    def _answer(self, status: str, sentence: str, table: pl.DataFrame, reason: str) -> Check:
        return Check(self.name, self.title, self.question, status, sentence, table, reason)

    def judged(
        self, failed_for: tuple[str, ...], sentence: str, table: pl.DataFrame, reason: str
    ) -> Check:
        """Answer ``failed`` for the outcomes named, ``passed`` when none is."""
        return Check(
            self.name,
            self.title,
            self.question,
            FAILED if failed_for else PASSED,
            sentence,
            table,
            reason,
            failed_for,
        )

    def informational(self, sentence: str, table: pl.DataFrame, reason: str = "") -> Check:
        """Answer without a verdict."""
        return self._answer(INFORMATIONAL, sentence, table, reason)

    def not_run(self, reason: str) -> Check:
        """Say why, or how, the question has not been asked."""
        return self._answer(NOT_RUN, "This check was not run.", pl.DataFrame(), reason)
