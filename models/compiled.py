"""Compile the joint model once for all pools of one shape, and sample it.

Everything that differs between pools of one shape is passed as data (``models/joint.py``), so a
simulated pool, or the same pool under another rule, reuses the compiled functions of this
process. nutpie is named explicitly: the result does not depend on what else is installed.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import pymc as pm
import pytensor
import xarray as xr
from pymc.model.transform.optimization import freeze_dims_and_data

from models.data import Pool
from models.joint import build_joint_model
from models.priors import Priors
from pipeline.progress import Progress

MOST_KEPT = 4  # compiled models kept in this process, the oldest dropped first
COORDINATES = ("rotated", "rest", "standardised")  # the sampler's own: not judged, not reported
DERIVED = ("coefficient", "group_effect", "winter_effect")  # what they mean: judged

_kept: dict[Any, Any] = {}


@dataclass(frozen=True, slots=True)
class Compiled:
    """A pool's joint model, ready to sample.

    Attributes
    ----------
    functions : nutpie's compiled model
    judged : list of str
        Variables that the gates judge.
    coords : dict of str to list
        Names of the pool's units, members and so on.
    """

    functions: Any
    judged: list[str]
    coords: dict[str, list]

    def sample(self, chosen: dict[str, Any], progress: Progress) -> xr.DataTree:
        """Sample.

        Parameters
        ----------
        chosen : dict
            ``draws``, ``tune``, ``chains``, ``cores``, ``seed``, ``target_accept``.
        progress : Progress
            Shows draws per chain.

        Returns
        -------
        xarray.DataTree
            ``posterior`` and ``sample_stats``; the sampler's own coordinates are left out.
        """
        import nutpie

        total = chosen["chains"] * (chosen["draws"] + chosen["tune"])
        with progress.task("sampling the joint model", total=total, unit="draws") as task:

            def show(chains: list[Any]) -> None:
                done = [chain.finished_draws for chain in chains]
                note = "per chain: " + " ".join(f"{n:,}" for n in done)
                task.update(completed=sum(done), note=note)

            sampler = nutpie.sample(
                self.functions,
                **chosen,
                progress_bar=False,
                progress_callback=show,
                progress_rate=500,
                save_warmup=False,
                blocking=False,
            )
            try:
                tree = sampler.wait()
            except BaseException:  # a stop: end the chains before passing it on
                sampler.cancel()
                raise
        posterior = tree["posterior"].ds.drop_vars(COORDINATES, errors="ignore")
        named = {d: self.coords[d] for d in posterior.dims if d in self.coords}
        tree["posterior"] = xr.DataTree(posterior.assign_coords(named))
        return tree


def _shape_of(model: pm.Model, priors: Priors) -> tuple:
    """What must agree for two pools to share compiled functions."""
    free = tuple((v.name, tuple(v.shape.eval())) for v in model.free_RVs)
    # a table's first dimension counts terms, which stand one by one in the code
    data = tuple(
        (v.name, v.get_value().shape[: v.type.ndim - 1], str(v.type.dtype)) for v in model.data_vars
    )
    outcomes = tuple(model.coords["outcome"])
    return free, data, outcomes, repr(priors)


def compile_functions(model: pm.Model) -> Any:
    """Compile a model's density and its gradient for nutpie.

    The source that PyTensor generates goes beside its compiled code, which it keeps and prunes;
    without a place of its own every compilation left hundreds of temporary files.
    """
    import nutpie

    sources = str(pytensor.config.base_compiledir / "sources")
    with (
        warnings.catch_warnings(),
        pytensor.config.change_flags(generated_src_dir=sources),
    ):
        # PyTensor looks for a BLAS for its C backend, which is not used here
        warnings.filterwarnings("ignore", message="PyTensor could not link to a BLAS")
        return nutpie.compile_pymc_model(model)


def compile_pool(pool: Pool, priors: Priors | None = None, *, is_reused: bool = True) -> Compiled:
    """Compile the joint model of a pool, or reuse what a pool of the same shape left.

    Parameters
    ----------
    pool : Pool
    priors : Priors, optional
        The defaults of ``models/priors.py`` unless given.
    is_reused : bool
        As for ``compile_model``.

    Returns
    -------
    Compiled

    Raises
    ------
    ModelError
        There is nothing to model.
    """
    priors = priors or Priors()
    return compile_model(build_joint_model(pool, priors), priors, is_reused=is_reused)


def compile_model(model: pm.Model, priors: Priors, *, is_reused: bool = True) -> Compiled:
    """Compile a model, or reuse what one of the same shape left.

    Parameters
    ----------
    model : pymc.Model
        All that differs between models of one shape stands in its data.
    priors : Priors
        That it was built with.
    is_reused : bool
        False writes the pool's numbers into the code. That compiles in a third of the time
        (32 s of CPU against 90 with a warm cache on disk) and serves this pool alone.

    Returns
    -------
    Compiled
    """
    key = _shape_of(model, priors) if is_reused else None
    if key in _kept:
        functions = _kept[key].with_data(**{v.name: v.get_value() for v in model.data_vars})
    else:
        functions = compile_functions(model if is_reused else freeze_dims_and_data(model))
    if is_reused:
        _kept[key] = functions
        while len(_kept) > MOST_KEPT:
            del _kept[next(iter(_kept))]
    names = [v.name for v in model.free_RVs if v.name not in COORDINATES]
    judged = names + [name for name in DERIVED if name in model.named_vars]
    return Compiled(functions, judged, {k: list(v) for k, v in model.coords.items()})
