"""Drawings to scale and small drawings of studies."""
