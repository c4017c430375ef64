"""Mappings: members' own headings, units and codes to the columns of contracts."""

from __future__ import annotations

from pipeline.mapping.plan import ColumnPlan, RecordPlan, TablePlan

__all__ = ["ColumnPlan", "RecordPlan", "TablePlan"]
