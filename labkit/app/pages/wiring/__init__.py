"""The wiring page."""
