"""The linear predictor as the sampler computes it: all outcomes and all terms in one pass.

``models/predictor.py`` says what the predictor is. Here the same sum, and its gradient, are two
loops over the units, compiled by Numba. Written with PyTensor's own operations it made tables of
outcomes by units by terms, and twice as many again for the gradient.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import numba
import numpy as np
import pymc as pm
import pytensor.tensor as pt
from pytensor.gradient import disconnected_type
from pytensor.graph.basic import Apply
from pytensor.graph.op import Op
from pytensor.link.numba.dispatch.basic import numba_njit, register_funcify_default_op_cache_key

from models.predictor import Terms


@dataclass(frozen=True, slots=True)
class Design:
    """Terms of all units for all outcomes; what is exactly known stands with its coefficient.

    Attributes
    ----------
    known : float, shape (unit, coefficient)
        Weight of every coefficient, means of covariates included.
    speaks : float, shape (outcome, coefficient)
        0 where a coefficient does not speak to the outcome, 1 elsewhere.
    pick : int, shape (unit, pick)
        Positions, in the vector of effects, of the unit's groups and winter.
    weight : float, shape (unit, pick)
    slope : int, shape (column,)
        The coefficient that is the slope of each column; only uncertain columns are here.
    sd : float, shape (unit, column)
    place : int, shape (unit, column)
        Positions in the vector of latent values.
    """

    known: Any
    speaks: Any
    pick: Any
    weight: Any
    slope: Any
    sd: Any
    place: Any


def design_of(terms: dict[str, Terms]) -> Design:
    """Join the terms of all outcomes, which differ in their slopes alone.

    Parameters
    ----------
    terms : dict of str to Terms
        By outcome.

    Returns
    -------
    Design
        Of NumPy arrays.
    """
    first = next(iter(terms.values()))
    slopes = np.stack([own.slope for own in terms.values()])
    every = slopes.max(axis=0)
    has_slope = every.any(axis=1)
    uncertain = np.flatnonzero((first.latent_sd != 0).any(axis=0) & every.any(axis=0))
    return Design(
        known=first.fixed + first.latent_mean @ every.T,
        speaks=np.where(has_slope, slopes.any(axis=2), True).astype(float),
        pick=first.pick,
        weight=first.weight,
        slope=every[:, uncertain].argmax(axis=0),
        sd=first.latent_sd[:, uncertain],
        place=first.latent_place[:, uncertain],
    )


def _side_by_side(effects, n_coefficients, speaks):  # type: ignore[no-untyped-def]
    """Effects with the outcomes beside each other: (outcome, effect) to (effect, 3)."""
    made = np.zeros((effects.shape[1], 3))
    for o in range(effects.shape[0]):
        for k in range(n_coefficients):
            made[k, o] = effects[o, k] * speaks[o, k]
        for k in range(n_coefficients, effects.shape[1]):
            made[k, o] = effects[o, k]
    return made


def _sums(e, latent, known, pick, weight, slope, sd, place, n_outcomes):  # type: ignore[no-untyped-def]
    """Sum the terms of every unit; ``e`` has shape (effect, 3)."""
    n_units = known.shape[0]
    eta = np.empty((3, n_units))
    for i in range(n_units):
        a = b = c = 0.0
        for k in range(known.shape[1]):
            w = known[i, k]
            a += w * e[k, 0]
            b += w * e[k, 1]
            c += w * e[k, 2]
        for p in range(pick.shape[1]):
            w, k = weight[i, p], pick[i, p]
            a += w * e[k, 0]
            b += w * e[k, 1]
            c += w * e[k, 2]
        for j in range(slope.shape[0]):
            w, k = sd[i, j] * latent[place[i, j]], slope[j]
            a += w * e[k, 0]
            b += w * e[k, 1]
            c += w * e[k, 2]
        eta[0, i] = a
        eta[1, i] = b
        eta[2, i] = c
    return eta[:n_outcomes]


def _pulled(g, e, latent, known, pick, weight, slope, sd, place):  # type: ignore[no-untyped-def]
    """Gradients of the effects, shape (effect, 3), and of the latent values, from the sums'."""
    n_units = known.shape[0]
    of_effects, of_latent = np.zeros(e.shape), np.zeros(latent.shape)
    for i in range(n_units):
        a = g[0, i]
        b = g[1, i] if g.shape[0] > 1 else 0.0
        c = g[2, i] if g.shape[0] > 2 else 0.0
        for k in range(known.shape[1]):
            w = known[i, k]
            of_effects[k, 0] += w * a
            of_effects[k, 1] += w * b
            of_effects[k, 2] += w * c
        for p in range(pick.shape[1]):
            w, k = weight[i, p], pick[i, p]
            of_effects[k, 0] += w * a
            of_effects[k, 1] += w * b
            of_effects[k, 2] += w * c
        for j in range(slope.shape[0]):
            k, at = slope[j], place[i, j]
            w = sd[i, j] * latent[at]
            of_effects[k, 0] += w * a
            of_effects[k, 1] += w * b
            of_effects[k, 2] += w * c
            of_latent[at] += sd[i, j] * (a * e[k, 0] + b * e[k, 1] + c * e[k, 2])
    return of_effects, of_latent


def _compiled(jit: Any) -> tuple[Any, Any]:
    """The predictor and its gradient under a compiler."""
    side_by_side, sums, pulled = jit(_side_by_side), jit(_sums), jit(_pulled)

    def predict(effects, latent, known, speaks, pick, weight, slope, sd, place):  # type: ignore[no-untyped-def]
        e = side_by_side(effects, known.shape[1], speaks)
        return sums(e, latent, known, pick, weight, slope, sd, place, effects.shape[0])

    def pull_back(g, effects, latent, known, speaks, pick, weight, slope, sd, place):  # type: ignore[no-untyped-def]
        e = side_by_side(effects, known.shape[1], speaks)
        made, of_latent = pulled(g, e, latent, known, pick, weight, slope, sd, place)
        of_effects = np.empty(effects.shape)
        for o in range(effects.shape[0]):
            for k in range(effects.shape[1]):
                of_effects[o, k] = made[k, o]
            for k in range(known.shape[1]):
                of_effects[o, k] *= speaks[o, k]
        return of_effects, of_latent

    return jit(predict), jit(pull_back)


@cache
def _from_python() -> tuple[Any, Any]:
    return _compiled(numba.njit)


class Predictor(Op):
    """The linear predictor of all outcomes: effects, latent values and a design to sums."""

    __props__ = ()

    def make_node(self, *inputs: Any) -> Apply:
        """Take effects (outcome, effect), latent values (latent,) and a ``Design``'s tables."""
        return Apply(self, [pt.as_tensor(x) for x in inputs], [pt.dmatrix()])

    def perform(self, node: Apply, inputs: Any, output_storage: Any) -> None:
        """Compute it where Numba is not the backend."""
        output_storage[0][0] = _from_python()[0](*inputs)

    def pullback(self, inputs: Any, outputs: Any, cotangents: Any) -> list[Any]:
        """Gradient with respect to effects and latent values; the design is constant."""
        pulled: Any = PredictorGradient()(cotangents[0], *inputs)
        return [*pulled, *(disconnected_type() for _ in inputs[2:])]

    def connection_pattern(self, node: Apply) -> list[list[bool]]:
        """Effects and latent values count, the design does not."""
        return [[k < 2] for k in range(len(node.inputs))]


class PredictorGradient(Op):
    """What ``Predictor`` passes back to effects and latent values."""

    __props__ = ()

    def make_node(self, *inputs: Any) -> Apply:
        """Take the sums' gradient (outcome, unit) and ``Predictor``'s inputs."""
        return Apply(self, [pt.as_tensor(x) for x in inputs], [pt.dmatrix(), pt.dvector()])

    def perform(self, node: Apply, inputs: Any, output_storage: Any) -> None:
        """Compute it where Numba is not the backend."""
        output_storage[0][0], output_storage[1][0] = _from_python()[1](*inputs)


@register_funcify_default_op_cache_key(Predictor)
def _predictor_in_numba(op: Predictor, **_: Any) -> Any:
    return _compiled(numba_njit)[0]


@register_funcify_default_op_cache_key(PredictorGradient)
def _gradient_in_numba(op: PredictorGradient, **_: Any) -> Any:
    return _compiled(numba_njit)[1]


def sampled_predictor(effects: Any, latent: Any, design: Design) -> Any:
    """Write the linear predictor into the open model.

    The design is passed as data: another pool of this shape reuses the code.

    Parameters
    ----------
    effects : TensorVariable, shape (outcome, effect)
        Three outcomes at most.
    latent : TensorVariable, shape (latent,), or None
        As for ``models.predictor.linear_predictor``.
    design : Design

    Returns
    -------
    TensorVariable, shape (outcome, unit)
        On the outcome's link scale.
    """
    tables = {f.name: pm.Data(f"design_{f.name}", getattr(design, f.name)) for f in fields(design)}
    return Predictor()(effects, pt.zeros(1) if latent is None else latent, *tables.values())


def product(vectors: Any, matrix: Any) -> Any:
    """Multiply every symbolic vector by a matrix, or each by its own; shape (..., row).

    Element by element: a call of BLAS costs half a minute of compilation and saves nothing at
    these sizes.
    """
    return (vectors[..., None, :] * matrix).sum(axis=-1)
