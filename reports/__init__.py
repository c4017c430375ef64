"""The report and how it is rendered."""
