"""The contracts that say what each table holds."""
