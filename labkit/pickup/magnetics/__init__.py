"""Magnets, poles and the field at the strings, and the output that follows from it."""
