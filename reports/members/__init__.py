"""A private page for each member: their colonies beside the pool."""
