"""The listening test page."""
