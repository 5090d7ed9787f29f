"""The cable page."""
