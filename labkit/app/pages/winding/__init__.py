"""The winding page."""
