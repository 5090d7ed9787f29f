"""From sweeps to the values of a coil."""
