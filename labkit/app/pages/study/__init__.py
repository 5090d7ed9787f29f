"""The tolerance and search page."""
