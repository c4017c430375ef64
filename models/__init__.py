"""The hierarchical model of what insulation does."""

import os

# LLVM's second and third level of optimisation cost a quarter of the compilation and gain nothing
os.environ.setdefault("NUMBA_OPT", "1")
