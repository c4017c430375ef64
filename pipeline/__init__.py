"""Reading, checking, storing and deriving winter records."""
