"""Blind tests: trials, their seal, and their folder."""
