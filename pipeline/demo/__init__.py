"""The demonstration: an invented association whose truth is known."""
