"""The measure page."""
