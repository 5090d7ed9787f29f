"""Curves: live on a page, and as files."""
