"""A pickup that is being designed on a page."""
