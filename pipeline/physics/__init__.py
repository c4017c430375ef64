"""Physical quantities: arrays in, arrays out, no files."""
