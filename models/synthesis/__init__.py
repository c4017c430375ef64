"""Findings of several associations put together: random effects, from estimates alone."""
