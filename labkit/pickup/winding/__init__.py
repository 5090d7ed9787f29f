"""The coil without its poles: turns, wire and bobbin, resistance, inductance and capacitance."""
