"""Which values meet a goal."""
