"""Refits of the finding: other records, other rules, another model, an outcome it cannot have.

Each is a ``Variation`` of the study's own analysis (``choices``, ``subsets``, ``dose``) or a model
of its own (``autumn_strength``). They cost minutes each, so ``winterpool refit`` makes them apart
from the fit; ``verdicts`` turns what they found into checks.
"""
