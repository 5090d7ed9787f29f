"""Studies of many variants: what tolerances do, what matters most, and which values meet a goal."""
