"""Stages: pure functions from named tables to one named table each."""
