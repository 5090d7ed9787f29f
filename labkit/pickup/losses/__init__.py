"""Eddy currents: in poles, covers and baseplates."""
