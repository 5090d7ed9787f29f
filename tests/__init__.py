"""Tests of labkit. Every folder is a package, so that file names may repeat between folders."""
