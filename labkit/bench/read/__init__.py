"""Sweep files: tables, columns, Touchstone, and the sweep they give."""
