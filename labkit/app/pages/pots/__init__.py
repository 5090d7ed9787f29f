"""The pots and capacitors page."""
