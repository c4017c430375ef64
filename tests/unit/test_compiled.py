"""Compiling a model leaves nothing behind but the compiler's own cache."""

from __future__ import annotations

import tempfile

import numpy as np
import pymc as pm
import pytensor

from models.compiled import compile_functions


def test_no_temporary_files_are_left(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    before = pytensor.config.generated_src_dir
    with pm.Model() as model:
        mean = pm.Normal("mean")
        pm.Normal("seen", mean**3 + np.pi, observed=np.arange(3.0))
    compile_functions(model)
    assert list(tmp_path.iterdir()) == []
    assert pytensor.config.generated_src_dir == before
