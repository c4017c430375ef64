"""Readers: the bytes of a file to tables of text, one module a format."""

from __future__ import annotations

from pipeline.readers.tables import ROW, MalformedRow, ReadOptions, TextTable

__all__ = ["ROW", "MalformedRow", "ReadOptions", "TextTable"]
