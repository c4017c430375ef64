"""Mapping files of the demonstration."""
