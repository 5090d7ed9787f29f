"""Errors, units, sourced values, frequency grid and Response: what every other layer rests on."""
