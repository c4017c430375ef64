"""Checks of the finding, one a file: a function from ``Evidence`` to ``Check``."""
