"""SPICE decks, written and read."""
