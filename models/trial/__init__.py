"""Next winter's trial: how precise it can be, and its analysis as drawn."""
