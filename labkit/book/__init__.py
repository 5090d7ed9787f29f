"""The workshop book: what a workshop wound, from which materials, and what it read on it."""
