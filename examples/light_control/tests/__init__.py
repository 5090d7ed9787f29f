"""Tests of the package, run where it is installed."""
