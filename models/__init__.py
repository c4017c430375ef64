"""The hierarchical model of what insulation does."""
